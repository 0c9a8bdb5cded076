//! A valve, and which of its nodes is which: the one place that knows their order.

use models::data::{ValveModel, ValveType};
use models::{AnyDevice, Device};

/// A valve, or one section of a double valve.
#[derive(Clone, Debug)]
pub struct Valve {
    /// The type: law, limits, capacitances, heater.
    pub kind: ValveType,
    /// The envelope when it holds several sections, e.g. "V1".
    pub envelope: Option<String>,
    /// Which section of the envelope it is, from 1 on.
    pub section: u32,
    /// Stray capacitance of socket and wiring, F, added anode-to-grid.
    pub stray_anode_grid: f64,
    /// True when the valve is joined by the ends of its filament and not by a cathode.
    pub filament: bool,
    /// Time from cold to half the emission, s, when the drawing says; zero is a cathode that is hot.
    pub warm_up: Option<f64>,
    /// Share of its type's current that it carries at the same volts; [`Valve::scale_current`] sets it.
    pub current: f64,
    /// The heater, when it is joined to something.
    pub heater: Option<HeaterWiring>,
    /// True when nothing leaks to its cathode from the heater that warms it, in whichever section that is drawn.
    pub insulated: bool,
}

/// A heater that is joined to something.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeaterWiring {
    /// True when the middle is joined too.
    pub tapped: bool,
    /// Leakage resistance from either half of the wire to the cathode, Ω; evenly along it.
    pub leakage: f64,
    /// Capacitance from either half of the wire to the cathode, F.
    pub capacitance: f64,
}

/// What stands at the nodes of a valve.
#[derive(Clone, Copy, Debug)]
pub struct Wiring<'a, T> {
    /// The anode, or the two of a full-wave rectifier.
    pub anodes: &'a [T],
    /// Screen of a pentode.
    pub screen: Option<T>,
    /// Control grid; none in a rectifier or stabiliser.
    pub grid: Option<T>,
    /// The cathode, or both ends of the filament.
    pub cathode: &'a [T],
    /// The ends of the heater with its middle, if joined, between them; empty when not drawn.
    pub heater: &'a [T],
}

/// Whether a heater or filament, its middle between its ends, has its halves in parallel: both ends at one node.
pub fn halves_in_parallel<T: PartialEq>(wire: &[T]) -> bool {
    matches!(wire, [first, _, last] if first == last)
}

impl Valve {
    /// A section joined by its cathode, its heater not drawn.
    pub fn new(kind: ValveType) -> Self {
        Self {
            kind,
            envelope: None,
            section: 1,
            stray_anode_grid: 0.0,
            filament: false,
            warm_up: None,
            current: 1.0,
            heater: None,
            insulated: false,
        }
    }

    /// Lets the valve carry `ratio` times its current at the same volts, with the slope that goes with it; mu
    /// stays. A stabiliser stays as it is.
    pub fn scale_current(&mut self, ratio: f64) {
        if !self.kind.model.emits() {
            return;
        }
        self.kind.model.scale_current(ratio);
        self.current *= ratio;
    }

    /// Lets the cathode emit `ratio` times as much, to the grid too. A stabiliser stays as it is.
    pub fn scale_emission(&mut self, ratio: f64) {
        if !self.kind.model.emits() {
            return;
        }
        self.kind.model.scale_emission(ratio);
        self.current *= ratio;
    }

    /// Nodes before the cathode's: least and greatest number.
    fn electrodes(&self) -> (usize, usize) {
        match &self.kind.model {
            ValveModel::Triode(_) => (2, 2),
            ValveModel::Pentode(_) => (3, 3),
            ValveModel::Rectifier(_) => (1, 2),
            ValveModel::Stabiliser(_) => (1, 1),
        }
    }

    fn cathode_nodes(&self) -> usize {
        if self.filament { 2 } else { 1 }
    }

    fn heater_nodes(&self) -> usize {
        match self.heater {
            None => 0,
            Some(HeaterWiring { tapped: false, .. }) => 2,
            Some(HeaterWiring { tapped: true, .. }) => 3,
        }
    }

    /// The least and the greatest number of nodes the valve joins.
    pub fn terminals(&self) -> (usize, usize) {
        let others = self.cathode_nodes() + self.heater_nodes();
        let (least, most) = self.electrodes();
        (least + others, most + others)
    }

    /// Sorts the nodes of the valve, or whatever stands for them in the same order.
    ///
    /// # Panics
    /// With fewer nodes than [`Valve::terminals`], which [`crate::circuit::Circuit::add`] refuses.
    pub fn wiring<'a, T: Copy>(&self, at: &'a [T]) -> Wiring<'a, T> {
        let (at, heater) = at.split_at(at.len() - self.heater_nodes());
        let (electrodes, cathode) = at.split_at(at.len() - self.cathode_nodes());
        let (anodes, screen, grid) = match &self.kind.model {
            ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => (electrodes, None, None),
            ValveModel::Triode(_) => (&electrodes[..1], None, Some(electrodes[1])),
            ValveModel::Pentode(_) => (&electrodes[..1], Some(electrodes[1]), Some(electrodes[2])),
        };
        Wiring {
            anodes,
            screen,
            grid,
            cathode,
            heater,
        }
    }

    /// The law between the electrodes in the order of the nodes; of a rectifier, that of one anode.
    pub fn device(&self) -> AnyDevice {
        self.kind.model.device(self.filament)
    }

    /// The law with its places: one device, or one for each anode of a rectifier.
    pub fn devices<T: Copy>(&self, at: &[T]) -> Vec<(AnyDevice, Vec<T>)> {
        let wiring = self.wiring(at);
        let device = self.device();
        let rest = wiring.screen.into_iter().chain(wiring.grid);
        wiring
            .anodes
            .iter()
            .map(|&anode| {
                let mut places = vec![anode];
                places.extend(rest.clone());
                places.extend(wiring.cathode);
                debug_assert_eq!(places.len(), device.terminals());
                (device.clone(), places)
            })
            .collect()
    }
}
