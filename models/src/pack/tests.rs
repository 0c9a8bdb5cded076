//! Every valve of the library in a pack and alone: the answers are one.

use super::{Lanes, LocalLanes, MOST, WIDTH, packed};
use crate::any_device::AnyDevice;
use crate::device::{Device, Local};
use crate::library;

/// Agreement, relative: the exponentials of arguments to 110, and powers of what they give, leave some hundred
/// roundings of 1.1e-16.
const AGREEMENT: f64 = 1e-12;
/// Of the largest in the row beside it: where two slopes nearly cancel, a few roundings of those are left.
const CANCELLED: f64 = 2e-14;
/// Below this nothing counts, A and S: `exp` gives zero under 1e-307, the standard library somewhat less than that,
/// and slopes are made of such numbers times a power of the volts.
const NOTHING: f64 = 1e-200;
/// Volts tried on each valve.
const POINTS: usize = 20_000;

/// Numbers in [0, 1) of a seed (a linear congruence, Knuth's constants for 64 bits; from memory).
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> f64 {
        self.0 = (self.0.wrapping_mul(6_364_136_223_846_793_005))
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Volts of a terminal: of work, near the cathode's, any size down to picovolts, absurd, none at all.
    fn volts(&mut self) -> f64 {
        let sign = if self.next() < 0.5 { -1.0 } else { 1.0 };
        match (self.next() * 6.0) as u32 {
            0 => 1000.0 * self.next() - 300.0,
            1 => 60.0 * self.next() - 50.0,
            2 => 3.0 * sign * self.next(),
            3 => sign * 10_f64.powf(16.0 * self.next() - 12.0),
            4 => sign * 1e6 * self.next(),
            _ => 0.0,
        }
    }
}

/// Currents and slopes of one by the scalar law.
fn alone(device: &AnyDevice, x: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let n = x.len();
    let (mut f, mut df) = (vec![0.0; n], vec![0.0; n * n]);
    let mut out = Local {
        f: &mut f,
        df: &mut df,
    };
    device.eval(x, &[], &mut out);
    (f, df)
}

/// Currents and slopes of each of `devices` in their packs, at the volts `x` of each.
fn beside(devices: &[&AnyDevice], x: &[Vec<f64>]) -> Vec<(Vec<f64>, Vec<f64>)> {
    let (packs, left) = packed(devices.iter().copied());
    assert!(left.is_empty());
    let mut answers = vec![(Vec::new(), Vec::new()); devices.len()];
    for one in packs {
        let n = x[one.devices[0]].len();
        let (mut volts, mut f, mut df) = (
            [Lanes::ZERO; MOST],
            [Lanes::ZERO; MOST],
            [Lanes::ZERO; MOST * MOST],
        );
        for (k, volts) in volts[..n].iter_mut().enumerate() {
            for lane in 0..WIDTH {
                let from = one.devices[lane.min(one.devices.len() - 1)];
                volts.as_mut_array()[lane] = x[from][k];
            }
        }
        let mut out = LocalLanes {
            f: &mut f[..n],
            df: &mut df[..n * n],
        };
        one.pack.eval(&volts[..n], &mut out);
        for (lane, &device) in one.devices.iter().enumerate() {
            let of = |lanes: &[Lanes]| lanes.iter().map(|value| value.as_array()[lane]).collect();
            answers[device] = (of(&f[..n]), of(&df[..n * n]));
        }
    }
    answers
}

/// Whether a row in the pack is that of the valve alone.
fn equal(alone: &[f64], pack: &[f64]) -> bool {
    let largest = alone
        .iter()
        .fold(0.0_f64, |most, value| most.max(value.abs()));
    alone.iter().zip(pack).all(|(alone, pack)| {
        let allowed = AGREEMENT * alone.abs() + CANCELLED * largest + NOTHING;
        (alone - pack).abs() <= allowed || (alone.is_nan() && pack.is_nan())
    })
}

/// The laws of the library that are packed, triodes before pentodes.
fn library() -> Vec<(String, AnyDevice)> {
    let all = library::valves().iter();
    let laws = all.map(|valve| (valve.name.clone(), valve.model.device(false)));
    let (mut triodes, rest): (Vec<_>, Vec<_>) =
        laws.partition(|(_, law)| matches!(law, AnyDevice::Triode(_)));
    triodes.extend(
        rest.into_iter()
            .filter(|(_, law)| matches!(law, AnyDevice::Pentode(_))),
    );
    triodes
}

#[test]
fn every_valve_of_the_library_answers_in_a_pack_as_alone() {
    let valves = library();
    assert!(valves.len() > 30, "{} valves", valves.len());
    let mut draw = Draw(1);
    let mut conducting = 0;
    for first in 0..valves.len() {
        // Packs of all sizes, full of different valves
        let size = 1 + first % (WIDTH + 1);
        let chosen: Vec<_> = (first..first + size)
            .map(|k| &valves[k % valves.len()])
            .collect();
        let devices: Vec<_> = chosen.iter().map(|(_, device)| device).collect();
        for _ in 0..POINTS / size {
            let x: Vec<Vec<f64>> = devices
                .iter()
                .map(|device| device.unknowns().iter().map(|_| draw.volts()).collect())
                .collect();
            for (((name, device), x), (f, df)) in chosen.iter().zip(&x).zip(beside(&devices, &x)) {
                let (f_alone, df_alone) = alone(device, x);
                conducting += usize::from(f_alone[0] > 1e-6);
                assert!(
                    equal(&f_alone, &f),
                    "{name} at {x:?}: {f_alone:?} and {f:?}"
                );
                let n = x.len();
                for (alone, pack) in df_alone.chunks(n).zip(df.chunks(n)) {
                    assert!(
                        equal(alone, pack),
                        "{name} at {x:?}: {alone:?} and {pack:?}"
                    );
                }
            }
        }
    }
    assert!(conducting > 10 * POINTS, "{conducting} draw current");
}

#[test]
fn volts_that_are_no_number_give_none() {
    for (name, device) in library() {
        let n = device.unknowns().len();
        for bad in 0..n {
            let mut x = vec![250.0, 200.0, -1.0, 0.0];
            x.drain(1..=MOST - n);
            x[bad] = f64::NAN;
            let (f, _) = alone(&device, &x);
            let (in_pack, _) = &beside(&[&device], std::slice::from_ref(&x))[0];
            for (alone, pack) in f.iter().zip(in_pack) {
                assert_eq!(alone.is_nan(), pack.is_nan(), "{name} at {x:?}");
            }
            assert!(
                in_pack.iter().any(|value| value.is_nan()),
                "{name} at {x:?}"
            );
        }
    }
}
