//! What a part joins: how many nodes, and what paths there are between them, as far as can be told without
//! solving anything.
//!
//! Nodes, or whatever stands for them, are given in the part's own order, see [`Part`].

use models::Device;

use super::Part;

impl Part {
    /// The least and the greatest number of nodes the part joins.
    pub fn terminals(&self) -> (usize, usize) {
        match self {
            Self::Resistor(_)
            | Self::Capacitor(_)
            | Self::Inductor(_)
            | Self::Source(_)
            | Self::Loudspeaker(_) => (2, 2),
            Self::Transformer(transformer) => {
                let ends = 2 * transformer.windings.len();
                (ends, ends)
            }
            Self::Valve(valve) => valve.terminals(),
            Self::Diodes(diodes) => (diodes.terminals, diodes.terminals),
            Self::Device(device) => {
                let ends = device.terminals();
                (ends, ends)
            }
            Self::Pot(_) => (3, 3),
            Self::Switch(_) => (2, usize::MAX),
        }
    }

    /// Pairs of nodes between which the part carries direct current whatever the voltages. The leakage of a
    /// capacitor, or from a heater to its cathode, is no path that anything may rely on.
    pub fn dc_paths<T: Copy>(&self, at: &[T]) -> Vec<(T, T)> {
        match self {
            Self::Resistor(_) | Self::Inductor(_) | Self::Source(_) | Self::Loudspeaker(_) => {
                vec![(at[0], at[1])]
            }
            Self::Transformer(_) => at.chunks_exact(2).map(|ends| (ends[0], ends[1])).collect(),
            Self::Pot(_) => vec![(at[0], at[1]), (at[1], at[2])],
            Self::Switch(switch) => switch
                .closed
                .map(|contact| (at[0], at[contact + 1]))
                .into_iter()
                .collect(),
            Self::Valve(valve) => {
                let wiring = valve.wiring(at);
                let wires = [wiring.cathode, wiring.heater];
                let mut paths: Vec<_> = wires
                    .iter()
                    .flat_map(|wire| wire.windows(2).map(|pair| (pair[0], pair[1])))
                    .collect();
                if wiring.grid.is_none() {
                    let cathode = wiring.cathode[0];
                    paths.extend(wiring.anodes.iter().map(|&anode| (anode, cathode)));
                }
                paths
            }
            Self::Diodes(diodes) => diodes
                .junctions
                .iter()
                .map(|&(anode, cathode)| (at[anode], at[cathode]))
                .collect(),
            Self::Device(_) => {
                if let &[a, b] = at {
                    vec![(a, b)]
                } else {
                    Vec::new()
                }
            }
            Self::Capacitor(_) => Vec::new(),
        }
    }

    /// Pairs of nodes whose voltage it fixes without resistance: several that close a loop leave the current
    /// in it undefined.
    pub fn stiff_paths<T: Copy>(&self, at: &[T]) -> Vec<(T, T)> {
        let across = |stiff: bool| stiff.then(|| (at[0], at[1])).into_iter().collect();
        match self {
            Self::Source(source) => across(source.resistance == 0.0),
            Self::Inductor(inductor) => across(inductor.resistance == 0.0),
            Self::Transformer(transformer) => transformer
                .windings
                .iter()
                .zip(at.chunks_exact(2))
                .filter(|(winding, _)| winding.resistance == 0.0)
                .map(|(_, ends)| (ends[0], ends[1]))
                .collect(),
            Self::Resistor(_)
            | Self::Capacitor(_)
            | Self::Valve(_)
            | Self::Device(_)
            | Self::Diodes(_)
            | Self::Pot(_)
            | Self::Switch(_)
            | Self::Loudspeaker(_) => Vec::new(),
        }
    }

    /// Whether some current can flow between any two of its nodes, if only through a capacitance or an open
    /// contact; between windings of a transformer there is flux alone.
    pub fn is_joined_by_current(&self) -> bool {
        match self {
            Self::Transformer(_) => false,
            Self::Resistor(_)
            | Self::Capacitor(_)
            | Self::Inductor(_)
            | Self::Valve(_)
            | Self::Device(_)
            | Self::Diodes(_)
            | Self::Source(_)
            | Self::Pot(_)
            | Self::Switch(_)
            | Self::Loudspeaker(_) => true,
        }
    }

    /// Whether a node of it that nothing else is joined to is meant: an open contact is a loose end on
    /// purpose.
    pub fn has_loose_ends(&self) -> bool {
        match self {
            Self::Switch(_) => true,
            Self::Resistor(_)
            | Self::Capacitor(_)
            | Self::Inductor(_)
            | Self::Transformer(_)
            | Self::Valve(_)
            | Self::Device(_)
            | Self::Diodes(_)
            | Self::Source(_)
            | Self::Pot(_)
            | Self::Loudspeaker(_) => false,
        }
    }
}
