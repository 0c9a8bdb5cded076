//! Every source of noise in a circuit and the equations it drives.
//!
//! A current source between two nodes drives both their equations, a voltage in series with a winding
//! drives the winding's; valve noise divides between anode and screen as the current does. The sign
//! matters only where one source drives several equations.
//!
//! Source   `models::noise`; that whatever dissipates makes thermal noise: Nyquist, Phys. Rev. 32 (1928) 110
//!          (from memory)

use models::noise::{ValveNoise, flicker_corner, thermal};
use serde::Serialize;

use super::FLICKER_CORNER;
use crate::instruments::valve::ValveProbe;
use sim::circuit::{Circuit, PartId, Placed};
use sim::parts::Part;
use sim::system::{System, Unknown, UnknownId};

/// What kind of noise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoiseKind {
    /// Of a resistance.
    Thermal,
    /// Of the space current of a valve, smoothed by its space charge; of a diode, full.
    Shot,
    /// Of the space current's division between anode and screen.
    Partition,
    /// Slow changes of the cathode's emission.
    Flicker,
    /// Of the current drawn by a control grid.
    GridCurrent,
}

/// An independent source.
#[derive(Clone, Debug)]
pub(super) struct Source {
    pub(super) part: PartId,
    pub(super) place: String,
    pub(super) kind: NoiseKind,
    /// The equations it drives and with what share.
    pub(super) into: Vec<(UnknownId, f64)>,
    /// A²/Hz or V²/Hz; of flicker noise, where it equals this.
    density: f64,
    /// Corner of the flicker noise of its type, Hz, where one is published.
    pub(super) own_corner: Option<f64>,
}

impl Source {
    /// A²/Hz or V²/Hz at a frequency, Hz; flicker noise falls with it from the corner asked for, Hz, or else from that
    /// of its type, or the general one.
    pub(super) fn density_at(&self, frequency: f64, asked: Option<f64>) -> f64 {
        let corner = || asked.or(self.own_corner).unwrap_or(FLICKER_CORNER);
        match self.kind {
            NoiseKind::Flicker => self.density * corner() / frequency,
            _ => self.density,
        }
    }
}

/// All sources at the rest `x` `[n+1]` with resistances at a temperature, K. Heaters, contacts of switches and the
/// insulation of islands are no parts of the drawing and left out.
pub(super) fn all(circuit: &Circuit, system: &System, x: &[f64], temperature: f64) -> Vec<Source> {
    let mut list = List {
        system,
        temperature,
        sources: Vec::new(),
    };
    for (id, placed) in circuit.parts() {
        list.resistances(id, placed);
    }
    for probe in ValveProbe::all(circuit, system) {
        list.valve(&probe, circuit.part(probe.part), x);
    }
    for placed in system.devices() {
        let Some(current) = placed.device.noise(&placed.gather(x)) else {
            continue;
        };
        list.add(
            placed.part,
            "",
            NoiseKind::Shot,
            between(placed.at[0], placed.at[1]),
            current,
        );
    }
    list.sources
}

struct List<'a> {
    system: &'a System,
    temperature: f64,
    sources: Vec<Source>,
}

impl List<'_> {
    fn add(
        &mut self,
        part: PartId,
        place: &str,
        kind: NoiseKind,
        into: Vec<(UnknownId, f64)>,
        density: f64,
    ) {
        if density > 0.0 {
            self.sources.push(Source {
                part,
                place: place.to_owned(),
                kind,
                into,
                density,
                own_corner: None,
            });
        }
    }

    /// Flicker noise of a valve.
    fn flicker(&mut self, probe: &ValveProbe, into: Vec<(UnknownId, f64)>, density: f64) {
        let before = self.sources.len();
        self.add(probe.part, "", NoiseKind::Flicker, into, density);
        if let Some(source) = self.sources.get_mut(before) {
            source.own_corner = flicker_corner(probe.kind());
        }
    }

    /// A conductance, S, between two equations of nodes.
    fn conductance(&mut self, part: PartId, place: &str, ends: (UnknownId, UnknownId), g: f64) {
        let density = thermal(g, self.temperature);
        self.add(
            part,
            place,
            NoiseKind::Thermal,
            between(ends.0, ends.1),
            density,
        );
    }

    /// A resistance, Ω, in series with a branch.
    fn series(&mut self, part: PartId, place: &str, branch: UnknownId, r: f64) {
        let density = thermal(r, self.temperature);
        self.add(
            part,
            place,
            NoiseKind::Thermal,
            vec![(branch, 1.0)],
            density,
        );
    }

    /// The loss of a core, S across the winding its flux is referred to: ampere-turns into its equation.
    fn core(&mut self, part: PartId, loss: f64) {
        if let Some(flux) = self.system.flux_of(part) {
            let density = thermal(loss.recip(), self.temperature);
            self.add(
                part,
                "core loss",
                NoiseKind::Thermal,
                vec![(flux, 1.0)],
                density,
            );
        }
    }

    fn resistances(&mut self, id: PartId, placed: &Placed) {
        let system = self.system;
        let at: Vec<UnknownId> = placed.nodes.iter().map(|&n| system.voltage_of(n)).collect();
        let branches = system.currents_of(id);
        let inside = || {
            let place = system
                .unknowns()
                .iter()
                .position(|u| *u == Unknown::Inside(id));
            place.expect("the part has a node inside") as UnknownId
        };
        match &placed.part {
            Part::Resistor(resistor) => self.conductance(id, "", (at[0], at[1]), 1.0 / resistor.r),
            Part::Pot(pot) => {
                let (upper, lower) = pot.halves();
                self.conductance(id, "upper part", (at[0], at[1]), 1.0 / upper);
                self.conductance(id, "lower part", (at[1], at[2]), 1.0 / lower);
            }
            Part::Capacitor(capacitor) => {
                self.conductance(id, "leakage", (at[0], at[1]), capacitor.leakage);
                if capacitor.esr > 0.0 {
                    self.conductance(
                        id,
                        "series resistance",
                        (at[0], inside()),
                        1.0 / capacitor.esr,
                    );
                }
            }
            Part::Inductor(inductor) => {
                self.series(id, "winding", branches[0], inductor.resistance);
                if inductor.capacitance > 0.0 && inductor.capacitance_loss > 0.0 {
                    let g = 1.0 / inductor.capacitance_loss;
                    self.conductance(id, "winding capacitance", (at[0], inside()), g);
                }
                if inductor.linear.is_some() {
                    self.conductance(id, "core loss", (at[0], at[1]), inductor.loss.recip());
                } else {
                    self.core(id, inductor.loss);
                }
            }
            Part::Transformer(transformer) => {
                for (winding, &branch) in transformer.windings.iter().zip(branches) {
                    self.series(id, &winding.name, branch, winding.resistance);
                }
                // The nodes inside stand in the order of the windings that have one.
                let insides: Vec<UnknownId> = (0..)
                    .zip(system.unknowns())
                    .filter(|(_, unknown)| **unknown == Unknown::Inside(id))
                    .map(|(at, _)| at)
                    .collect();
                let lossy = transformer
                    .windings
                    .iter()
                    .zip(at.chunks_exact(2))
                    .filter(|(w, _)| w.capacitance > 0.0 && w.capacitance_loss > 0.0);
                for ((winding, ends), inside) in lossy.zip(insides) {
                    let place = format!("capacitance of {}", winding.name);
                    let g = 1.0 / winding.capacitance_loss;
                    self.conductance(id, &place, (ends[0], inside), g);
                }
                self.core(id, transformer.loss);
            }
            Part::Source(source) => self.series(id, "", branches[0], source.resistance),
            Part::Loudspeaker(speaker) => {
                self.series(id, "voice coil", branches[0], speaker.re);
                let mechanical = speaker.re * speaker.qms / speaker.qes;
                self.conductance(id, "suspension", (inside(), at[1]), 1.0 / mechanical);
            }
            Part::Valve(_) | Part::Device(_) | Part::Diodes(_) | Part::Switch(_) => {}
        }
    }

    fn valve(&mut self, probe: &ValveProbe, placed: &Placed, x: &[f64]) {
        let at: Vec<UnknownId> = placed
            .nodes
            .iter()
            .map(|&node| self.system.voltage_of(node))
            .collect();
        let Part::Valve(valve) = &placed.part else {
            return;
        };
        let wiring = valve.wiring(&at);
        let anode = wiring.anodes[0];
        let (screen, grid) = (wiring.screen.unwrap_or(anode), wiring.grid.unwrap_or(anode));
        // Out of the cathode, or in halves out of the ends of the filament.
        let share = 1.0 / wiring.cathode.len() as f64;
        let cathode: Vec<_> = wiring.cathode.iter().map(|&end| (end, -share)).collect();
        let noise = ValveNoise::of(&probe.at(x).currents);
        // Divided between anode and screen.
        let mut space = vec![
            (anode, noise.anode_share),
            (screen, 1.0 - noise.anode_share),
        ];
        space.extend(&cathode);
        self.add(probe.part, "", NoiseKind::Shot, space.clone(), noise.space);
        self.flicker(probe, space, noise.space);
        if anode != screen {
            let into = between(anode, screen);
            self.add(probe.part, "", NoiseKind::Partition, into, noise.partition);
        }
        let mut drawn = vec![(grid, 1.0)];
        drawn.extend(cathode);
        self.add(probe.part, "", NoiseKind::GridCurrent, drawn, noise.grid);
    }
}

fn between(a: UnknownId, b: UnknownId) -> Vec<(UnknownId, f64)> {
    vec![(a, 1.0), (b, -1.0)]
}
