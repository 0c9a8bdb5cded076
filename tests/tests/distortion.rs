//! Harmonics and intermodulation of an exponential stage, power bandwidth behind one pole and the limit
//! of a core in the bass against closed forms; samples of a cycle against twice as many; threads.

#![allow(clippy::print_stdout, reason = "the differences are worth reading")]

use std::f64::consts::TAU;

use checks::answers::opened;
use checks::examples::EXAMPLES;
use measure::driven::distortion::{
    Curve, Distortion, DistortionOf, IntermodulationKind, Reading, TwoTones, samples_per_cycle,
};
use measure::driven::power::PowerOf;
use measure::{Measurement, UnderTest};
use models::AnyDevice;
use models::core::Core;
use models::diode::Diode;
use sim::amplifier::{Amplifier, Bench};
use sim::error::SimError;
use sim::parts::{Inductor, Part, Source, Waveform};
use sim::periodic::{Settling, settle};
use sim::spectrum::Spectrum;
use sim::{Circuit, NodeId, System, Tolerances};

/// Voltage of an e-fold of the stage, V: so high that the drop across the load is nothing beside it.
const V_T: f64 = 1000.0;

/// A.
const I_S: f64 = 1.0;

/// Ω: 2 V at the drives used, two thousandths of [`V_T`]; a memoryless loss that the closed form does
/// not have would show as that share of a harmonic, so it is a thousandth of that.
const LOAD: f64 = 1e-3;

/// Test tone, Hz.
const TEST: f64 = 1e3;

/// Distortion limit of the stage.
const LIMIT: f64 = 0.05;

/// What follows the stage or hangs on its generator.
#[derive(Clone, Copy)]
enum More {
    /// A choke across the generator that saturates at this flux linkage, Wb (its iron's constant).
    Choke(f64),
    /// A low-pass of one pole at this frequency, Hz, before the output.
    Pole(f64),
    /// The mains, 50 Hz, across a resistor that nothing else hangs on.
    Mains,
}

/// A generator without resistance, an exponential device, a load that does not count; the answer to
/// the question of distortion and the flux of saturation of the choke, Wb.
fn stage(more: More) -> (Distortion, Option<f64>) {
    let mut circuit = Circuit::new();
    let (input, out) = (circuit.node("in"), circuit.node("out"));
    let add = |circuit: &mut Circuit, name: &str, part: Part, at: [NodeId; 2]| {
        circuit.add(name, part, &at).expect("a well-formed circuit")
    };
    let source = Part::Source(Source {
        waveform: Waveform::Dc(0.0),
        resistance: 0.0,
    });
    let generator = add(&mut circuit, "G", source, [input, NodeId::CHASSIS]);
    let device = Part::Device(AnyDevice::from(Diode::exponential(I_S, V_T)));
    add(&mut circuit, "D", device, [input, out]);
    add(
        &mut circuit,
        "R",
        Part::resistor(LOAD),
        [out, NodeId::CHASSIS],
    );
    let mut output = out;
    let mut saturation = None;
    match more {
        More::Choke(flux) => {
            let core = Core::saturating(100.0, flux);
            saturation = Some(core.saturation_flux());
            let choke = Inductor {
                core,
                linear: None,
                resistance: 1.0,
                capacitance: 0.0,
                capacitance_loss: 0.0,
                loss: f64::INFINITY,
                stray: None,
            };
            add(
                &mut circuit,
                "L",
                Part::Inductor(choke),
                [input, NodeId::CHASSIS],
            );
        }
        More::Mains => {
            let supply = circuit.node("mains");
            let mains = Part::Source(Source {
                waveform: Waveform::Alternating {
                    amplitude: 1.0,
                    frequency: 50.0,
                    phase: 0.0,
                },
                resistance: 0.0,
            });
            add(&mut circuit, "M", mains, [supply, NodeId::CHASSIS]);
            add(
                &mut circuit,
                "RM",
                Part::resistor(1e3),
                [supply, NodeId::CHASSIS],
            );
        }
        More::Pole(hertz) => {
            output = circuit.node("after");
            add(&mut circuit, "R2", Part::resistor(1e3), [out, output]);
            let c = 1.0 / (TAU * hertz * 1e3);
            add(
                &mut circuit,
                "C",
                Part::capacitor(c),
                [output, NodeId::CHASSIS],
            );
        }
    }
    let system = System::of(&circuit).expect("a well-formed circuit");
    let question = DistortionOf {
        power: PowerOf {
            generator,
            load: (output, NodeId::CHASSIS),
            load_ohms: LOAD,
            frequency: TEST,
            distortion_limit: LIMIT,
            at: Vec::new(),
            settling: Settling::default(),
        },
        frequencies: vec![100.0, 5e3, 12.5e3],
        two_tones: vec![TwoTones::MODULATION, TwoTones::DIFFERENCE],
    };
    // Output volts are small, so Newton's iteration is held to their size.
    let tolerances = Tolerances::default().closer(1e-3);
    let load = circuit.find_part("R").expect("it is there");
    let bench = Bench {
        generator,
        load,
        load_ohms: LOAD,
        load_nodes: (output, NodeId::CHASSIS),
        frequency: TEST,
        distortion_limit: LIMIT,
    };
    let amplifier = Amplifier::new(circuit, bench);
    let of = UnderTest::find_within(&amplifier, &system, tolerances).expect("it rests");
    let answer = question.ask(&of, &|_| ()).expect("an answer");
    (answer, saturation)
}

/// Modified Bessel function of the first kind of whole order, by its power series.
/// Source: Abramowitz & Stegun 9.6.10 (from memory).
fn bessel(order: u32, x: f64) -> f64 {
    let mut term = (1..=order).fold(1.0, |term, k| term * 0.5 * x / f64::from(k));
    let mut sum = term;
    for k in 1..40 {
        term *= 0.25 * x * x / (f64::from(k) * f64::from(k + order));
        sum += term;
    }
    sum
}

fn assert_near(what: &str, found: f64, exact: f64, tolerance: f64) {
    println!(
        "{what}: {found:.6e} against {exact:.6e}, {:.1e}",
        found / exact - 1.0
    );
    assert!(
        (found / exact - 1.0).abs() < tolerance,
        "{what}: {found} against {exact}"
    );
}

/// THD at every frequency and the products of two tones of an exponential stage at its rated power.
fn products_are_those_of_bessel_functions(answer: &Distortion, close: f64) {
    let rated = answer.against_power.rated.as_ref().expect("it distorts");
    // That of one watt lies far up the exponential.
    for curve in answer.against_frequency.iter().filter(|curve| curve.rated) {
        for point in &curve.points {
            let reading = point.reading.as_ref().expect("the power is had");
            let a = reading.drive / V_T;
            let sum: f64 = (2..20).map(|n| bessel(n, a).powi(2)).sum();
            let exact = sum.sqrt() / bessel(1, a);
            let what = format!("THD at {} Hz", point.frequency);
            assert_near(&what, reading.thd, exact, close);
            // Memoryless: the same power has the same drive; powers are met to 1e-4 in volts.
            assert_near("rated drive", reading.drive, rated.drive, 3e-4);
        }
    }
    for signal in &answer.intermodulation {
        let at_rated = |power: f64| (power / rated.power - 1.0).abs() < 1e-9;
        let levels: Vec<_> = signal
            .levels
            .iter()
            .filter(|level| at_rated(level.power))
            .collect();
        assert_eq!(levels.len(), 1);
        for level in levels {
            let products = level.products.as_ref().expect("the peak is had");
            let share = signal.ratio / (1.0 + signal.ratio);
            let (a, b) = (
                products.drive * share / V_T,
                products.drive * (1.0 - share) / V_T,
            );
            // A component m f1 + n f2 has the amplitude 2 I_m(a) I_n(b).
            let of = |m: u32, n: u32| bessel(m, a) * bessel(n, b);
            let (second, third) = match signal.kind {
                IntermodulationKind::Modulation => {
                    (2.0 * of(1, 1) / of(0, 1), 2.0 * of(2, 1) / of(0, 1))
                }
                IntermodulationKind::DifferenceFrequency => {
                    let tones = of(1, 0) + of(0, 1);
                    (of(1, 1) / tones, (of(2, 1) + of(1, 2)) / tones)
                }
            };
            let what = format!("{:?} at {:.1e} W", signal.kind, level.power);
            assert_near(
                &format!("{what}, 2nd order"),
                products.second,
                second,
                close,
            );
            assert_near(&format!("{what}, 3rd order"), products.third, third, close);
            // The tones add up to the peak asked for, which is met to 3e-3.
            let tones = products.lower + products.upper;
            assert_near("sum of the tones", tones, level.peak, 3.1e-3);
        }
    }
}

#[test]
fn an_exponential_stage_has_the_products_of_bessel_functions() {
    // e^(a cos x) = I_0 + 2 Σ I_n cos nx: Abramowitz & Stegun 9.6.34 (from memory). A drop of
    // LOAD·I_S·e^a beside V_T, and the local errors of memoryless equations, are below 1e-5; the grid of
    // 24 samples a cycle folds back what lies above the 12th harmonic, I_12/I_1 ~ 1e-20.
    const CLOSE: f64 = 1e-4;
    let (answer, saturation) = stage(More::Choke(1.0));
    for level in &answer.against_power.levels {
        let a = level.drive / V_T;
        // An exponential stage never stops rising, so the sweep goes on to where the drop counts.
        if LOAD * I_S * a.exp() > 1e-5 * V_T {
            break;
        }
        for (ratio, number) in level.harmonics.iter().zip(2..).take(3) {
            let exact = bessel(number, a) / bessel(1, a);
            // What is below the rounding of the sum is no figure.
            if exact > 1e-6 {
                assert_near(&format!("H{number} at a = {a:.3}"), *ratio, exact, CLOSE);
            }
        }
    }
    products_are_those_of_bessel_functions(&answer, CLOSE);
    let rated = answer.against_power.rated.as_ref().expect("it distorts");
    // No memory: the band has no end.
    let band = answer.power_bandwidth.as_ref().expect("a rated power");
    assert!(band.high.frequency.is_none(), "{:?}", band.high);

    // v = dλ/dt: the choke across the generator saturates where v_peak/(2πf) is its flux. The drop
    // across its ohm is below 1e-4 of the volts; the edge is left 3e-3 wide, the power met to 1e-3.
    let flux = saturation.expect("there is a choke");
    assert_eq!(answer.saturating_cores, ["L"]);
    assert_eq!(answer.bass_limits.len(), 2);
    let half = answer
        .power_bandwidth
        .as_ref()
        .expect("a rated power")
        .power;
    for (limit, power) in answer.bass_limits.iter().zip([rated.power, half]) {
        assert_near("power", limit.power, power, 1e-12);
        assert_eq!(limit.part.as_deref(), Some("L"));
        // Volts of the generator for that power, memoryless.
        let level = |drive: f64| {
            let a = drive / V_T;
            (1..20).map(|n| bessel(n, a).powi(2)).sum::<f64>().sqrt()
        };
        let wanted = level(rated.drive) * (power / rated.power).sqrt();
        let drive = root(rated.drive / 10.0, rated.drive * 2.0, |drive| {
            level(drive) - wanted
        });
        let found = limit.frequency.expect("it saturates");
        assert_near("limit in the bass", found, drive / (TAU * flux), 1e-2);
    }
}

/// Where a rising function is zero, by halving.
fn root(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if f(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[test]
fn a_mains_that_feeds_nothing_changes_no_product() {
    // As above, on periods that hold whole cycles of the mains: 32 samples of a cycle fold back what lies above the
    // 16th harmonic, and of 12.5 kHz 250 cycles make a period.
    let (answer, _) = stage(More::Mains);
    let period = answer.against_power.mains_period.expect("it alternates");
    assert!((period - 0.02).abs() < 1e-12);
    products_are_those_of_bessel_functions(&answer, 1e-4);
}

#[test]
fn the_power_bandwidth_behind_one_pole_is_its_closed_form() {
    /// Hz.
    const POLE: f64 = 4e3;
    let (answer, _) = stage(More::Pole(POLE));
    // Harmonic n of the exponential, 2 I_n(a), behind 1/√(1 + (n f/f_pole)²).
    let amplitude =
        |n: u32, a: f64, hertz: f64| bessel(n, a) / (f64::from(n) * hertz / POLE).hypot(1.0);
    let thd = |a: f64, hertz: f64| {
        let sum: f64 = (2..20).map(|n| amplitude(n, a, hertz).powi(2)).sum();
        sum.sqrt() / amplitude(1, a, hertz)
    };
    let volts = |a: f64, hertz: f64| {
        let sum: f64 = (1..20).map(|n| amplitude(n, a, hertz).powi(2)).sum();
        sum.sqrt()
    };
    let rated = root(1e-3, 2.0, |a| thd(a, TEST) - LIMIT);
    let half = volts(rated, TEST) * 0.5_f64.sqrt();
    let at_half = |hertz: f64| thd(root(1e-3, 5.0, |a| volts(a, hertz) - half), hertz);
    let exact = root(TEST, 50.0 * TEST, |hertz| at_half(hertz) - LIMIT);

    let found = answer.against_power.rated.as_ref().expect("it distorts");
    // THD at the limit is met to 1e-4.
    assert_near("rated drive", found.drive, rated * V_T, 3e-4);
    let band = answer.power_bandwidth.expect("a rated power");
    assert!(band.low.frequency.is_none(), "{:?}", band.low);
    // The edge is left 3e-3 wide; power within 2e-3 and THD rising with its root at a slope of about one
    // in the frequency leave as much again.
    let high = band.high.frequency.expect("an end");
    assert_near("upper end of the band", high, exact, 1e-2);
    assert!(answer.saturating_cores.is_empty() && answer.bass_limits.is_empty());
}

#[test]
fn twice_the_samples_of_a_cycle_move_no_printed_figure() {
    // 0.01 points at 20 Hz, where the cores of the push-pull examples saturate, and 0.001 at 1 kHz.
    for example in EXAMPLES {
        let opened = example.open(&[]);
        for (frequency, points) in [(20.0, 0.01), (TEST, 0.001)] {
            let thd = |samples: usize| {
                let mut bench = opened.bench();
                bench.frequency = frequency;
                bench.settling.samples = samples;
                let drive = 1.4 * example.half_power;
                match bench.at_drive(&opened.under_test(), drive) {
                    Ok(level) => Some(100.0 * level.thd),
                    Err(SimError::Bursts { .. }) => None,
                    Err(other) => panic!("{} at {frequency} Hz: {other}", example.name),
                }
            };
            let samples = samples_per_cycle(frequency);
            let (Some(once), Some(twice)) = (thd(samples), thd(2 * samples)) else {
                // The pair with feedback bursts into oscillation as deep down as that, on either grid.
                assert!(example.name.starts_with("03_") && frequency < TEST);
                assert_eq!((thd(samples), thd(2 * samples)), (None, None));
                continue;
            };
            println!(
                "{} at {frequency} Hz: {once:.5} % and {twice:.5} %",
                example.name
            );
            assert!((once - twice).abs() < points, "{once} and {twice} %");
        }
    }
}

#[test]
fn threads_change_no_bit_of_a_distortion_report() {
    let report = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("a pool");
        let (answer, _) = pool.install(|| stage(More::Pole(4e3)));
        serde_json::to_string(&answer).expect("figures")
    };
    let alone = report(1);
    assert!(alone.contains("\"power_bandwidth\":{"), "{alone}");
    assert!(
        report(3) == alone,
        "three threads answer differently from one"
    );
}

/// Two amplifiers on their mains, at one watt and at their rated watts, at 2 kHz: with the supplies at their means, as it is told,
/// against the period that holds both the mains and the tone, at the drive that was told.
#[test]
fn a_quick_tone_with_its_supplies_at_their_means_is_as_with_their_ripple() {
    const HERTZ: f64 = 2e3;
    /// Of them in a fiftieth of a second.
    const TURNS: u32 = 40;
    for name in ["14_voltage_doubler_6aq5", "16_choke_input_807"] {
        let opened = opened(name);
        let question = DistortionOf {
            power: opened.bench(),
            frequencies: vec![HERTZ],
            two_tones: Vec::new(),
        };
        let answer = opened.ask(&question).expect("it answers");
        assert_eq!(answer.supplies_at_means_from, Some(HERTZ));
        let curves = answer.against_frequency.iter();
        let quick = |curve: &Curve| {
            let points = curve.points.iter();
            let mut quick = points.filter(|at| at.frequency.to_bits() == HERTZ.to_bits());
            quick.next().and_then(|at| at.reading.clone())
        };
        let readings: Vec<Reading> = curves.filter_map(quick).collect();
        assert_eq!(readings.len(), 2, "{name}");
        for reading in readings {
            let mut ws = opened.driven_at(reading.drive, HERTZ).expect("rest");
            let settling = Settling {
                samples: 128 * TURNS as usize,
                closeness: 1e-5,
                ..Settling::default()
            };
            let tolerances = Tolerances::default();
            let period = settle(&opened.system, 0.02, &settling, &tolerances, &mut ws);
            let period = period.expect("it settles");
            let (a, b) = opened.load();
            let spectrum = Spectrum::of_period(&period.of(|x| x[a] - x[b])).of_turns(TURNS);
            let volts = spectrum.rms() / reading.output_rms - 1.0;
            let points = 100.0 * (reading.thd - spectrum.thd());
            println!(
                "{name}: {:.3} W, {:.4} %, {points:.1e} points apart, volts {volts:.1e}",
                reading.power,
                100.0 * reading.thd
            );
            // The level is met to 1e-4; a thousandth of a point is what the steps of either are worth.
            assert!(volts.abs() < 2e-4, "{volts}");
            assert!(points.abs() < 2e-3, "{points}");
        }
    }
}
