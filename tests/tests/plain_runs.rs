//! The settled answers against runs in time that know nothing of settling: from rest, in steps of one length, by a method
//! that no measurement uses, for so long that the rest is forgotten.

#![allow(
    clippy::print_stdout,
    reason = "the figures compared are the point of it"
)]

use checks::answers::opened;
use checks::examples::Opened;
use measure::at_rest::voltages::VoltagesOf;
use measure::driven::power::PowerOf;
use sim::Tolerances;
use sim::periodic::{Settling, settle_from};
use sim::rest::{MAINS_SAMPLES, Rest};
use sim::spectrum::Spectrum;
use sim::transient::{Method, transient};

/// Of distortion: a thousandth of a point, or where it is clipped so much of itself. Local errors of 1e-4 at the corners
/// make 1e-4, and 64 steps a cycle on the mains 5e-4.
const POINTS: f64 = 1e-5;
const OF_DISTORTION: f64 = 5e-4;
/// Of power.
const WATTS: f64 = 1e-4;
/// Of the greatest volts of a node in its period, and as many volts.
const VOLTS: f64 = 1e-4;

/// An amplifier of the set, and how it is run.
#[derive(Clone, Copy, Debug)]
struct Run {
    name: &'static str,
    /// Peak of the generator, V; zero at rest.
    drive: f64,
    /// What all of it repeats after, s, and the turns of the tone in it.
    period: f64,
    turns: usize,
    /// Steps of a turn.
    steps: usize,
    /// Periods it is run for.
    periods: usize,
}

/// `[samples][n+1]` one period.
type Period = Vec<Vec<f64>>;

/// A node: its mean and greatest volts over a period.
struct Node {
    name: String,
    mean: f64,
    most: f64,
}

fn nodes(opened: &Opened, period: &Period) -> Vec<Node> {
    let named = opened.amplifier.circuit.nodes();
    named
        .map(|(node, name)| {
            let at = opened.system.voltage_of(node) as usize;
            let sum: f64 = period.iter().map(|x| x[at]).sum();
            Node {
                name: name.to_owned(),
                mean: sum / period.len() as f64,
                most: period.iter().map(|x| x[at].abs()).fold(0.0, f64::max),
            }
        })
        .collect()
}

/// The node whose mean lies farthest from what is said of it, as a share of what it may; what nothing is said of is
/// passed over.
fn farthest(nodes: &[Node], said: impl Fn(&str) -> Option<f64>) -> (f64, String) {
    nodes
        .iter()
        .filter_map(|node| {
            let volts = said(&node.name)?;
            let apart = (node.mean - volts).abs() / (VOLTS * node.most.max(1.0));
            Some((
                apart,
                format!("{}: {:.6} V and {volts:.6} V", node.name, node.mean),
            ))
        })
        .max_by(|one, other| one.0.total_cmp(&other.0))
        .expect("there are nodes")
}

fn among(nodes: &[Node], name: &str) -> Option<f64> {
    Some(nodes.iter().find(|node| node.name == name)?.mean)
}

impl Run {
    /// In time, from rest with every volt and ampere a share off it: the period half as far on, and the last.
    fn follow(&self, opened: &Opened, off: f64) -> [Period; 2] {
        let system = &opened.system;
        let mut ws = system.workspace();
        Rest::find(system, &Tolerances::default(), &mut ws).expect("it has a rest");
        opened.drive(self.drive, &mut ws);
        ws.x.iter_mut().for_each(|x| *x *= 1.0 + off);
        // Newton's iteration ten times as exact as in a measurement, and no step chosen by an estimate of its error.
        let tolerances = Tolerances {
            local_error: f64::INFINITY,
            ..Tolerances::default().closer(0.1)
        };
        let samples = self.turns * self.steps;
        let mut seen = [(); 2].map(|()| Vec::with_capacity(samples));
        let mut step = 0;
        let mut probe = |_: f64, x: &[f64]| {
            if step / samples == self.periods / 2 - 1 {
                seen[0].push(x.to_vec());
            } else if step / samples == self.periods - 1 {
                seen[1].push(x.to_vec());
            }
            step += 1;
        };
        let run = (0.0, self.length(), self.period / samples as f64);
        transient(
            system,
            Method::RadauIia5,
            run,
            false,
            &tolerances,
            &mut ws,
            &mut probe,
        )
        .expect("every step is taken");
        seen
    }

    /// s.
    fn length(&self) -> f64 {
        self.periods as f64 * self.period
    }

    /// Distortion and volts rms of the load.
    fn output(&self, opened: &Opened, period: &Period) -> (f64, f64) {
        let (a, b) = opened.load();
        let volts: Vec<f64> = period.iter().map(|x| x[a] - x[b]).collect();
        let spectrum = Spectrum::of_period(&volts).of_turns(self.turns as u32);
        (spectrum.thd(), spectrum.rms())
    }

    /// The settled period, as measurements seek it.
    fn settled(&self, opened: &Opened) -> Period {
        let (system, tolerances) = (&opened.system, Tolerances::default());
        let mut ws = system.workspace();
        let rest = Rest::find(system, &tolerances, &mut ws).expect("it has a rest");
        opened.drive(self.drive, &mut ws);
        let settling = if self.turns > 1 {
            Settling {
                samples: MAINS_SAMPLES.max(64 * self.turns),
                ..Settling::default()
            }
        } else {
            Settling::default()
        };
        let near = rest.neighbour();
        settle_from(system, self.period, &settling, &tolerances, near, &mut ws)
            .expect("it settles")
            .samples
    }

    /// Power, distortion and the mean volts of every node with the signal.
    fn driven(&self) {
        let opened = opened(self.name);
        let level = PowerOf::bench(&opened.amplifier.bench)
            .at_drive(&opened.under_test(), self.drive)
            .expect("a settled level");
        let [before, last] = self.follow(&opened, 0.0);
        let ((thd_before, _), (thd, rms)) =
            (self.output(&opened, &before), self.output(&opened, &last));
        let watts = (level.output_rms / rms).powi(2) - 1.0;
        println!(
            "{} at {} V for {:.3} s: {:.5} % told, {:.5} % run, {:.1e} points less half as far on; watts {watts:.1e} apart",
            self.name,
            self.drive,
            self.length(),
            100.0 * level.thd,
            100.0 * thd,
            100.0 * (thd - thd_before),
        );
        let (last, before) = (nodes(&opened, &last), nodes(&opened, &before));
        let (moved, which) = farthest(&last, |name| among(&before, name));
        println!("  half as far on {:.1e} off: {which}", moved * VOLTS);
        let settled = nodes(&opened, &self.settled(&opened));
        let (apart, which) = farthest(&last, |name| among(&settled, name));
        println!("  settled {:.1e} off: {which}", apart * VOLTS);
        assert!((level.thd - thd).abs() < POINTS.max(OF_DISTORTION * thd));
        assert!(watts.abs() < WATTS);
        assert!(apart < 1.0);
    }

    /// The volts of `voltages`, from a start 2 % off.
    fn rests(&self) {
        let opened = opened(self.name);
        let [before, last] = self.follow(&opened, 0.02);
        let (last, before) = (nodes(&opened, &last), nodes(&opened, &before));
        println!("{} at rest for {:.3} s", self.name, self.length());
        let (moved, which) = farthest(&last, |name| among(&before, name));
        println!("  half as far on {:.1e} off: {which}", moved * VOLTS);
        let told = opened.ask(&VoltagesOf).expect("it rests").nodes;
        let (apart, which) = farthest(&last, |name| {
            Some(told.iter().find(|node| node.node == name)?.volts)
        });
        println!("  told {:.1e} off: {which}", apart * VOLTS);
        assert!(apart < 1.0);
    }
}

/// On direct supplies, with feedback, beyond its watts.
const WITH_FEEDBACK: Run = Run {
    name: "03_strapped_kt66_cathodyne",
    drive: 1.3,
    period: 1e-3,
    turns: 1,
    steps: 64,
    periods: 3500,
};

/// On direct supplies, overdriven.
const OVERDRIVEN: Run = Run {
    name: "06_guitar_el84",
    drive: 0.02,
    period: 1.0 / 440.0,
    turns: 1,
    steps: 256,
    periods: 3500,
};

/// On its mains, at its distortion limit.
const RADIO: Run = Run {
    name: "09_radio_output_42",
    drive: 0.326,
    period: 0.02,
    turns: 8,
    steps: 256,
    periods: 500,
};

/// On its mains, with feedback.
const ULTRA_LINEAR: Run = Run {
    name: "20_ef86_ultra_linear_el84",
    drive: 0.06,
    period: 0.02,
    turns: 20,
    steps: 128,
    periods: 500,
};

#[test]
fn with_feedback() {
    WITH_FEEDBACK.driven();
}

#[test]
#[ignore = "a minute of the processor"]
fn overdriven() {
    OVERDRIVEN.driven();
}

#[test]
#[ignore = "two minutes of the processor"]
fn a_radio_on_its_mains() {
    RADIO.driven();
}

#[test]
#[ignore = "three minutes of the processor"]
fn with_feedback_on_its_mains() {
    ULTRA_LINEAR.driven();
}

#[test]
#[ignore = "two minutes of the processor"]
fn at_rest() {
    // Bias and coupling are off for half a second and more; where nothing moves besides, long steps follow them.
    for run in [WITH_FEEDBACK, OVERDRIVEN] {
        let still = Run {
            drive: 0.0,
            steps: 4,
            periods: 10_000,
            ..run
        };
        still.rests();
    }
    for run in [RADIO, ULTRA_LINEAR] {
        let on_the_mains = Run {
            drive: 0.0,
            turns: 1,
            steps: MAINS_SAMPLES,
            periods: 700,
            ..run
        };
        on_the_mains.rests();
    }
}
