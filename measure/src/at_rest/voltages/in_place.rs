//! What each kind of part has to bear at rest.

use models::data::{ValveModel, ValveType};
use models::stabiliser::Stabiliser;

use super::{
    CapacitorAtRest, RectifierAtRest, ResistorAtRest, StabiliserAtRest, SupplyAtRest, ValveAtRest,
    WindingAtRest,
};
use crate::UnderTest;
use crate::instruments::flux::of_saturation;
use crate::instruments::valve::{AgainstLimit, Electrodes, ValveProbe, rectifier_currents};
use sim::circuit::{PartId, Placed};
use sim::parts::{Capacitor, Inductor, Pot, Resistor, Source, Transformer};
use sim::rest::Rest;

/// A part of an amplifier at rest.
pub(super) struct InPlace<'a> {
    pub(super) of: &'a UnderTest<'a>,
    pub(super) id: PartId,
    pub(super) placed: &'a Placed,
}

impl InPlace<'_> {
    fn name(&self) -> String {
        self.placed.name.clone()
    }

    /// Volts between two of its nodes.
    fn across(&self, a: usize, b: usize, x: &[f64]) -> f64 {
        let volts = |node: usize| x[self.of.system.voltage_of(self.placed.nodes[node]) as usize];
        volts(a) - volts(b)
    }

    /// Rms, with the sign of the mean.
    fn signed(&self, figure: impl Fn(&[f64]) -> f64) -> f64 {
        let rest = &self.of.rest;
        rest.rms(&figure).copysign(rest.mean(&figure))
    }

    pub(super) fn resistor(&self, resistor: Resistor) -> ResistorAtRest {
        let rest = &self.of.rest;
        ResistorAtRest {
            part: self.name(),
            resistance: resistor.r,
            volts: AgainstLimit {
                value: rest.rms(|x| self.across(0, 1, x)),
                limit: self.placed.ratings.volts,
            },
            current: self.signed(|x| self.across(0, 1, x) / resistor.r),
            power: AgainstLimit {
                value: rest.mean(|x| self.across(0, 1, x).powi(2) / resistor.r),
                limit: self.placed.ratings.watts,
            },
        }
    }

    pub(super) fn pot(&self, pot: &Pot) -> ResistorAtRest {
        let rest = &self.of.rest;
        let (upper, lower) = pot.halves();
        let watts =
            |x: &[f64]| self.across(0, 1, x).powi(2) / upper + self.across(1, 2, x).powi(2) / lower;
        ResistorAtRest {
            part: self.name(),
            resistance: pot.r,
            volts: AgainstLimit {
                value: rest.rms(|x| self.across(0, 2, x)),
                limit: self.placed.ratings.volts,
            },
            current: self.signed(|x| self.across(0, 1, x) / upper),
            power: AgainstLimit {
                value: rest.mean(watts),
                limit: self.placed.ratings.watts,
            },
        }
    }

    pub(super) fn capacitor(&self, capacitor: &Capacitor) -> CapacitorAtRest {
        let rest = &self.of.rest;
        let greatest = rest.most(|x| self.across(0, 1, x).abs());
        CapacitorAtRest {
            part: self.name(),
            capacitance: capacitor.c,
            volts: AgainstLimit {
                value: greatest,
                limit: self.placed.ratings.volts,
            },
            stored: 0.5 * capacitor.c * greatest.powi(2),
            reversed: capacitor.polar && rest.most(|x| -self.across(0, 1, x)) > 0.5,
        }
    }

    /// Greatest and mean flux of its core as shares of that which saturates it; none of a linear inductor.
    fn flux(&self) -> (Option<f64>, Option<f64>) {
        let (rest, amplifier) = (&self.of.rest, self.of.amplifier);
        let fed = (amplifier.mains.map(|mains| mains.part), &amplifier.taps[..]);
        let saturation = of_saturation(self.of.circuit, fed, self.id);
        let Some((saturation, flux)) = saturation.zip(self.of.system.flux_of(self.id)) else {
            return (None, None);
        };
        let at = flux as usize;
        let greatest = rest.most(|x| x[at].abs()) / saturation;
        (
            Some(greatest),
            Some(rest.mean(|x| x[at]).abs() / saturation),
        )
    }

    pub(super) fn inductor(&self, inductor: &Inductor) -> WindingAtRest {
        let at = self.of.system.currents_of(self.id)[0] as usize;
        let current = self.of.rest.mean(|x| x[at]);
        let (flux, direct_flux) = self.flux();
        WindingAtRest {
            part: self.name(),
            winding: "winding".to_owned(),
            current: AgainstLimit {
                value: current.abs(),
                limit: self.placed.ratings.amps,
            },
            drop: current * inductor.resistance,
            flux,
            direct_flux,
        }
    }

    pub(super) fn windings(&self, transformer: &Transformer) -> Vec<WindingAtRest> {
        let (flux, direct_flux) = self.flux();
        let currents = self.of.system.currents_of(self.id);
        let windings = transformer.windings.iter().zip(currents);
        windings
            .map(|(winding, &at)| {
                let current = self.signed(|x| x[at as usize]);
                WindingAtRest {
                    part: self.name(),
                    winding: winding.name.clone(),
                    current: AgainstLimit {
                        value: current.abs(),
                        limit: winding.rated_current,
                    },
                    drop: current * winding.resistance,
                    flux,
                    direct_flux,
                }
            })
            .collect()
    }

    /// A supply; an alternating one in rms values.
    pub(super) fn supply(&self, source: &Source) -> SupplyAtRest {
        let waveform = &source.waveform;
        let into_ohms = |volts: f64, current: f64| {
            let flows = current.abs() > 0.0;
            flows.then(|| (volts / current).abs() - source.resistance)
        };
        let (part, rest) = (self.name(), &self.of.rest);
        let current = self.of.system.currents_of(self.id)[0] as usize;
        if !waveform.alternates() {
            let volts = waveform.at_rest();
            let current = rest.mean(|x| x[current]);
            return SupplyAtRest {
                part,
                volts,
                current,
                power: volts * current,
                into_ohms: into_ohms(volts, current),
            };
        }
        let (count, period) = (
            rest.samples().len() as f64,
            rest.mains.map_or(0.0, |mains| mains.duration),
        );
        let at = |k: usize| waveform.at(period * (k as f64 / count));
        let mean = |figure: &dyn Fn(f64, f64) -> f64| {
            let samples = rest.samples().iter().enumerate();
            samples.map(|(k, x)| figure(at(k), x[current])).sum::<f64>() / count
        };
        let (volts, current) = (
            mean(&|volts, _| volts * volts).sqrt(),
            mean(&|_, amps| amps * amps).sqrt(),
        );
        SupplyAtRest {
            part,
            volts,
            current,
            into_ohms: into_ohms(volts, current),
            power: mean(&|volts, amps| volts * amps),
        }
    }

    pub(super) fn rectifier(&self, kind: &ValveType) -> RectifierAtRest {
        let anodes = |x: &[f64]| rectifier_currents(self.of.system, self.id, x);
        let sum = |x: &[f64]| anodes(x).iter().map(|(_, current)| current).sum();
        let drop = |x: &[f64]| anodes(x).first().map_or(0.0, |(drop, _)| *drop);
        RectifierAtRest {
            part: self.name(),
            kind: kind.name.clone(),
            current: AgainstLimit {
                value: self.of.rest.mean(sum),
                limit: kind.limits.dc_amps,
            },
            drop: self.of.rest.most(drop),
        }
    }

    pub(super) fn stabiliser(&self, kind: &ValveType, law: &Stabiliser) -> StabiliserAtRest {
        let rest = &self.of.rest;
        StabiliserAtRest {
            part: self.name(),
            kind: kind.name.clone(),
            volts: rest.mean(|x| self.across(0, 1, x)),
            current: AgainstLimit {
                value: rest.mean(|x| law.current(self.across(0, 1, x)).value),
                limit: kind.limits.most_amps,
            },
            least: kind.limits.least_amps,
            strike: kind.discharge.as_ref().and_then(|d| d.strike_volts),
        }
    }
}

/// A triode or pentode.
pub(super) fn valve_at_rest(probe: &ValveProbe, rest: &Rest) -> ValveAtRest {
    // Slopes at the mean voltages; currents and watts as the mean of what they are.
    let electrodes = probe.at(&rest.mean_state());
    let mean = |figure: &dyn Fn(&Electrodes) -> f64| rest.mean(|x| figure(&probe.at(x)));
    let limits = &probe.kind().limits;
    let pentode = matches!(probe.kind().model, ValveModel::Pentode(_));
    let strapped = pentode && probe.strapped;
    // Strapped, screen and anode are one electrode: one slope, one dissipation, the screen's volts.
    let slopes = if strapped {
        electrodes.currents.strapped()
    } else {
        electrodes.currents
    };
    ValveAtRest {
        part: probe.name.clone(),
        kind: probe.kind().name.clone(),
        v_ak: AgainstLimit {
            value: electrodes.v_ak,
            limit: probe.anode_volts_limit(),
        },
        v_sk: pentode.then_some(AgainstLimit {
            value: electrodes.v_sk,
            limit: limits.screen_volts,
        }),
        v_gk: electrodes.v_gk,
        v_k: AgainstLimit {
            value: rest.most(|x| probe.at(x).v_k.abs()),
            limit: limits.heater_cathode_volts.filter(|_| !probe.heater_drawn),
        },
        i_a: mean(&|e| e.currents.anode),
        i_s: mean(&|e| e.currents.screen),
        i_g: mean(&|e| e.currents.grid),
        i_k: AgainstLimit {
            value: mean(&|e| e.currents.cathode()),
            limit: limits.cathode_amps,
        },
        gm: slopes.gm(),
        ra: slopes.ra(),
        mu: slopes.mu(),
        p_a: AgainstLimit {
            value: mean(&|e| probe.anode_watts(e)),
            limit: probe.anode_watts_limit(),
        },
        p_s: pentode.then_some(AgainstLimit {
            value: mean(&Electrodes::screen_watts),
            limit: limits.screen_watts,
        }),
        strapped,
        strapped_limit: probe.has_strapped_limit(),
    }
}
