//! What each part brings to the equations.
//!
//! Rows of nodes sum the currents leaving the node, so a conductance adds +g on the diagonal and a
//! branch current +1 at its first node, −1 at its second. Rows of branches are
//! v_a − v_b − R·i − d(L·i)/dt = 0 with the sign of each term as written.
//!
//! Over 400 lines because it is one list: the equations of each kind of part.

use models::AnyDevice;
use models::data::Heater;

use super::{BOND, INSULATION, PlacedSource, Unknown, UnknownId};
use crate::circuit::{Circuit, NodeId, PartId, Placed};
use crate::parts::{Inductor, Loudspeaker, Part, Stray, Switch, Transformer, Valve, Waveform};
use crate::topology::LEAST_RESISTANCE;

/// Resistance of a closed contact, Ω (common practice, no source: below 20 mΩ when clean).
const CONTACT: f64 = 0.01;

/// Capacitance of a silicon rectifier diode that blocks, F (common practice, no source: 10 to 30 pF). Behind a
/// bridge that blocks it is all that tells where a floating winding stands.
const JUNCTION: f64 = 20e-12;

type Triplet = (usize, usize, f64);

/// The parts list as lists of matrix entries; the fields are those of [`super::System`].
pub(super) struct Stamps {
    pub(super) unknowns: Vec<Unknown>,
    pub(super) names: Vec<String>,
    pub(super) nodes: Vec<UnknownId>,
    pub(super) branches: Vec<Vec<UnknownId>>,
    pub(super) conductance: Vec<Triplet>,
    pub(super) storage: Vec<Triplet>,
    pub(super) devices: Vec<(PartId, AnyDevice, Vec<UnknownId>)>,
    pub(super) sources: Vec<PlacedSource>,
    pub(super) waveforms: Vec<Waveform>,
}

impl Stamps {
    pub(super) fn of(circuit: &Circuit) -> Self {
        let mut stamps = Self {
            unknowns: Vec::new(),
            names: Vec::new(),
            nodes: Vec::new(),
            branches: Vec::new(),
            conductance: Vec::new(),
            storage: Vec::new(),
            devices: Vec::new(),
            sources: Vec::new(),
            waveforms: Vec::new(),
        };
        // Nodes first; the chassis is renumbered to the end when the count is known.
        for (node, name) in circuit.nodes() {
            if node == NodeId::CHASSIS {
                stamps.nodes.push(u32::MAX);
            } else {
                let id = stamps.unknown(Unknown::Voltage(node), format!("node {name}"));
                stamps.nodes.push(id);
            }
        }
        for island in crate::topology::floating(circuit) {
            let at = stamps.nodes[island.node.index()];
            let tie = if island.by_flux_alone {
                BOND
            } else {
                INSULATION
            };
            stamps.conductor(at, u32::MAX, tie);
        }
        for (id, placed) in circuit.parts() {
            stamps.branches.push(Vec::new());
            stamps.part(circuit, id, placed);
        }
        stamps.number_chassis();
        stamps
    }

    fn number_chassis(&mut self) {
        let n = self.unknowns.len();
        self.nodes[0] = n as u32;
        for (_, _, at) in &mut self.devices {
            for unknown in at.iter_mut().filter(|unknown| **unknown == u32::MAX) {
                *unknown = n as u32;
            }
        }
        // Entries in the chassis' row or column say nothing.
        let inside = |&(row, column, _): &Triplet| row < n && column < n;
        self.conductance.retain(inside);
        self.storage.retain(inside);
    }

    fn unknown(&mut self, unknown: Unknown, name: String) -> UnknownId {
        self.unknowns.push(unknown);
        self.names.push(name);
        (self.unknowns.len() - 1) as u32
    }

    fn conductor(&mut self, a: UnknownId, b: UnknownId, g: f64) {
        pair(&mut self.conductance, a, b, g);
    }

    fn capacitor(&mut self, a: UnknownId, b: UnknownId, c: f64) {
        if c > 0.0 {
            pair(&mut self.storage, a, b, c);
        }
    }

    /// A branch from `a` to `b`: its current, and its row  v_a − v_b − R·i − L·di/dt (= 0).
    fn branch(
        &mut self,
        part: PartId,
        name: String,
        ends: (UnknownId, UnknownId),
        r: f64,
        l: f64,
    ) -> UnknownId {
        let count = self.branches[part.index()].len();
        let i = self.unknown(Unknown::Current(part, count), name);
        self.branches[part.index()].push(i);
        let row = i as usize;
        self.conductance.extend([
            (ends.0 as usize, row, 1.0),
            (ends.1 as usize, row, -1.0),
            (row, ends.0 as usize, 1.0),
            (row, ends.1 as usize, -1.0),
            (row, row, -r),
        ]);
        if l > 0.0 {
            self.storage.push((row, row, -l));
        }
        i
    }

    fn inside(&mut self, part: PartId, name: String) -> UnknownId {
        self.unknown(Unknown::Inside(part), name)
    }

    fn part(&mut self, circuit: &Circuit, id: PartId, placed: &Placed) {
        let at: Vec<UnknownId> = placed
            .nodes
            .iter()
            .map(|node| self.nodes[node.index()])
            .collect();
        let name = &placed.name;
        match &placed.part {
            Part::Resistor(resistor) => self.conductor(at[0], at[1], 1.0 / resistor.r),
            Part::Capacitor(capacitor) => {
                if capacitor.leakage > 0.0 {
                    self.conductor(at[0], at[1], capacitor.leakage);
                }
                // What is less than a joint counts as none.
                if capacitor.esr >= LEAST_RESISTANCE {
                    let plate = self.inside(id, format!("the inside of {name}"));
                    self.conductor(at[0], plate, 1.0 / capacitor.esr);
                    self.capacitor(plate, at[1], capacitor.c);
                } else {
                    self.capacitor(at[0], at[1], capacitor.c);
                }
            }
            Part::Inductor(inductor) => self.inductor(id, name, inductor, (at[0], at[1])),
            Part::Transformer(transformer) => self.transformer(id, name, transformer, &at),
            Part::Valve(valve) => {
                self.valve(id, valve, &at);
                self.heater_leakage(circuit, id, &at);
            }
            Part::Device(device) => self.devices.push((id, device.clone(), at)),
            Part::Diodes(diodes) => {
                for &(anode, cathode) in &diodes.junctions {
                    let ends = vec![at[anode], at[cathode]];
                    self.capacitor(ends[0], ends[1], JUNCTION);
                    self.devices.push((id, AnyDevice::from(diodes.diode), ends));
                }
            }
            Part::Source(source) => {
                // The branch row is v_+ − v_− + R·i_out − e, with i flowing out of the positive end.
                let i = self.branch(
                    id,
                    format!("the current of {name}"),
                    (at[0], at[1]),
                    -source.resistance,
                    0.0,
                );
                // Current counts out of the positive terminal: it enters the node there.
                flip_current(&mut self.conductance, i, &at);
                self.sources.push(PlacedSource { part: id, row: i });
                self.waveforms.push(source.waveform.clone());
            }
            Part::Pot(pot) => {
                let (upper, lower) = pot.halves();
                self.conductor(at[0], at[1], 1.0 / upper);
                self.conductor(at[1], at[2], 1.0 / lower);
            }
            Part::Switch(switch) => {
                for (contact, &node) in at[1..].iter().enumerate() {
                    let closed = switch.closed == Some(contact);
                    self.conductor(
                        at[0],
                        node,
                        1.0 / if closed { CONTACT } else { Switch::OPEN },
                    );
                }
            }
            Part::Loudspeaker(loudspeaker) => {
                self.loudspeaker(id, name, loudspeaker, (at[0], at[1]));
            }
        }
    }

    fn inductor(
        &mut self,
        id: PartId,
        name: &str,
        inductor: &Inductor,
        ends: (UnknownId, UnknownId),
    ) {
        let own = (inductor.capacitance, inductor.capacitance_loss);
        self.winding_capacitance(id, name, own, ends);
        let current = format!("the current of {name}");
        if let Some(l) = inductor.linear {
            let i = self.branch(id, current, ends, inductor.resistance, l);
            self.stray(id, i, inductor.stray);
            if inductor.loss.is_finite() {
                self.conductor(ends.0, ends.1, 1.0 / inductor.loss);
            }
        } else {
            let i = self.branch(id, current, ends, inductor.resistance, 0.0);
            self.stray(id, i, inductor.stray);
            self.core(
                id,
                name,
                AnyDevice::from(inductor.core.clone()),
                inductor.loss,
                &[(i, 1.0)],
            );
        }
    }

    fn transformer(&mut self, id: PartId, name: &str, transformer: &Transformer, at: &[UnknownId]) {
        let mut linked = Vec::with_capacity(transformer.windings.len());
        for (winding, ends) in transformer.windings.iter().zip(at.chunks_exact(2)) {
            let own = (winding.capacitance, winding.capacitance_loss);
            let place = format!("{name}, {}", winding.name);
            self.winding_capacitance(id, &place, own, (ends[0], ends[1]));
            let current = format!("the current of {name}, {}", winding.name);
            let i = self.branch(
                id,
                current,
                (ends[0], ends[1]),
                winding.resistance,
                winding.leakage,
            );
            self.stray(id, i, winding.stray);
            linked.push((i, winding.turns));
        }
        self.core(
            id,
            name,
            AnyDevice::from(transformer.core.clone()),
            transformer.loss,
            &linked,
        );
    }

    /// Volts in series with a winding: the branch row becomes  v_a − v_b − R·i − L·di/dt − e = 0.
    fn stray(&mut self, part: PartId, row: UnknownId, stray: Option<Stray>) {
        if let Some(Stray {
            amplitude,
            frequency,
        }) = stray
        {
            self.sources.push(PlacedSource { part, row });
            self.waveforms.push(Waveform::Stray {
                amplitude,
                frequency,
            });
        }
    }

    /// A winding's own capacitance, F, behind its loss, Ω.
    fn winding_capacitance(
        &mut self,
        id: PartId,
        place: &str,
        (capacitance, loss): (f64, f64),
        ends: (UnknownId, UnknownId),
    ) {
        if capacitance > 0.0 && loss >= LEAST_RESISTANCE {
            let inside = self.inside(id, format!("the capacitance of {place}"));
            self.conductor(ends.0, inside, 1.0 / loss);
            self.capacitor(inside, ends.1, capacitance);
        } else {
            self.capacitor(ends.0, ends.1, capacitance);
        }
    }

    /// A core of flux linkage λ:  row i_m(λ) + (dλ/dt)/R_loss − Σ n_j i_j = 0, and −n_j dλ/dt in each winding.
    fn core(
        &mut self,
        id: PartId,
        name: &str,
        core: AnyDevice,
        loss: f64,
        windings: &[(UnknownId, f64)],
    ) {
        let flux = self.unknown(Unknown::Flux(id), format!("the flux of {name}"));
        let row = flux as usize;
        for &(i, turns) in windings {
            self.storage.push((i as usize, row, -turns));
            self.conductance.push((row, i as usize, -turns));
        }
        if loss.is_finite() {
            self.storage.push((row, row, 1.0 / loss));
        }
        self.devices.push((id, core, vec![flux]));
    }

    fn valve(&mut self, id: PartId, valve: &Valve, at: &[UnknownId]) {
        let places = valve.devices(at).into_iter();
        self.devices
            .extend(places.map(|(device, at)| (id, device, at)));
        let wiring = valve.wiring(at);
        let c = valve.kind.capacitances_of(valve.section);
        let anode = wiring.anodes[0];
        if let Some(grid) = wiring.grid {
            self.capacitor(anode, grid, c.anode_grid + valve.stray_anode_grid);
            if let Some(screen) = wiring.screen {
                self.capacitor(grid, screen, c.grid_screen);
            }
            // Along a filament half goes to either end.
            let share = 1.0 / wiring.cathode.len() as f64;
            for &cathode in wiring.cathode {
                self.capacitor(grid, cathode, share * c.grid_cathode);
                self.capacitor(anode, cathode, share * c.anode_cathode);
            }
        }
        let Some(hot) = valve.kind.heater.as_ref().map(Heater::hot_resistance) else {
            return;
        };
        if let &[first, second] = wiring.cathode {
            self.conductor(first, second, 1.0 / hot);
        }
        let sections = wiring.heater.len().saturating_sub(1);
        for pair in wiring.heater.windows(2) {
            self.conductor(pair[0], pair[1], sections as f64 / hot);
        }
    }

    /// What leaks from the heater to the cathode it warms: it lies along the wire.
    ///
    /// Source    base diagrams of the double triodes with a heater of 12.6 V: each section has its own wire of 6.3 V, both
    ///           joined at the middle (from memory); which is which the order of the ends says, ASSUMPTION
    fn heater_leakage(&mut self, circuit: &Circuit, id: PartId, at: &[UnknownId]) {
        let (Some(owner), Some(valve)) = (circuit.heater_of(id), circuit.part(id).part.valve())
        else {
            return;
        };
        if valve.insulated {
            return;
        }
        let heated = circuit.part(owner);
        let Some((heated_by, heater)) = heated
            .part
            .valve()
            .and_then(|valve| Some((valve, valve.heater?)))
        else {
            return;
        };
        let ends: Vec<UnknownId> = heated_by
            .wiring(&heated.nodes)
            .heater
            .iter()
            .map(|node| self.nodes[node.index()])
            .collect();
        let &[cathode] = valve.wiring(at).cathode else {
            return;
        };
        // The wire this cathode is on; of both that are joined at the middle, a double valve has one in each section.
        let first = (valve.section as usize).saturating_sub(1);
        let own = match ends.as_slice() {
            both @ [_, _, _] if heated_by.kind.sections == 2 => &both[first.min(1)..][..2],
            whole => whole,
        };
        // Volts fall evenly along each piece, so half of what leaks from it leaks from either end.
        let pieces = own.len().saturating_sub(1) as f64;
        for piece in own.windows(2) {
            for &end in piece {
                self.conductor(end, cathode, 1.0 / (pieces * heater.leakage));
                self.capacitor(end, cathode, heater.capacitance / pieces);
            }
        }
    }

    fn loudspeaker(
        &mut self,
        id: PartId,
        name: &str,
        speaker: &Loudspeaker,
        ends: (UnknownId, UnknownId),
    ) {
        // Motional impedance (Thiele 1971; Small 1972): Res ‖ Lces ‖ Cmes behind Re + Le.
        let omega = std::f64::consts::TAU * speaker.fs;
        let res = speaker.re * speaker.qms / speaker.qes;
        let cmes = speaker.qes / (omega * speaker.re);
        let lces = speaker.re / (omega * speaker.qes);
        let cone = self.inside(id, format!("the cone of {name}"));
        self.branch(
            id,
            format!("the voice-coil current of {name}"),
            (ends.0, cone),
            speaker.re,
            speaker.le,
        );
        self.conductor(cone, ends.1, 1.0 / res);
        self.capacitor(cone, ends.1, cmes);
        self.branch(
            id,
            format!("the suspension of {name}"),
            (cone, ends.1),
            0.0,
            lces,
        );
    }
}

fn pair(entries: &mut Vec<Triplet>, a: UnknownId, b: UnknownId, value: f64) {
    let (a, b) = (a as usize, b as usize);
    entries.extend([(a, a, value), (b, b, value), (a, b, -value), (b, a, -value)]);
}

/// Turns the sign of a branch current in the node rows: out of the positive end instead of into it.
fn flip_current(conductance: &mut [Triplet], current: UnknownId, ends: &[UnknownId]) {
    for (row, column, value) in conductance.iter_mut() {
        if *column == current as usize && ends.iter().any(|&end| end as usize == *row) {
            *value = -*value;
        }
    }
}
