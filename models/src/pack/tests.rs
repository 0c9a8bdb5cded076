//! Every valve of the library in a pack and alone: the answers are one.

use fearless_simd::Level;

use super::{Four, LocalFours, MOST, WIDTH, packed};
use crate::any_device::AnyDevice;
use crate::device::{Device, Local};
use crate::diode::Diode;
use crate::library;

/// Agreement, relative: the exponentials of arguments to 110, and powers of what they give, leave some hundred
/// roundings of 1.1e-16.
const AGREEMENT: f64 = 1e-12;
/// A few roundings, of the largest in the row and, in slopes, of the current per volt of the accelerating electrode: the
/// terms of a slope are as large as these, and may nearly cancel.
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

/// Currents and slopes of each of `devices` in their packs, at the volts `x` of each, by vectors of `level`.
fn beside(devices: &[&AnyDevice], x: &[Vec<f64>], level: Level) -> Vec<(Vec<f64>, Vec<f64>)> {
    let (packs, left) = packed(devices.iter().copied());
    assert!(left.is_empty());
    let mut answers = vec![(Vec::new(), Vec::new()); devices.len()];
    for mut one in packs {
        one.pack.level = level;
        let n = x[one.devices[0]].len();
        let (mut volts, mut f, mut df) = (
            [[0.0; WIDTH]; MOST],
            [[0.0; WIDTH]; MOST],
            [[0.0; WIDTH]; MOST * MOST],
        );
        for (k, volts) in volts[..n].iter_mut().enumerate() {
            *volts = std::array::from_fn(|lane| {
                let from = one.devices[lane.min(one.devices.len() - 1)];
                x[from][k]
            });
        }
        let mut out = LocalFours {
            f: &mut f[..n],
            df: &mut df[..n * n],
        };
        one.pack.eval(&volts[..n], &mut out);
        for (lane, &device) in one.devices.iter().enumerate() {
            let of = |fours: &[Four]| fours.iter().map(|value| value[lane]).collect();
            answers[device] = (of(&f[..n]), of(&df[..n * n]));
        }
    }
    answers
}

fn largest(row: &[f64]) -> f64 {
    row.iter().fold(0.0, |most, value| value.abs().max(most))
}

/// Whether a row in the pack is that of the valve alone; `terms` are what it was made of.
fn equal(alone: &[f64], pack: &[f64], terms: f64) -> bool {
    let largest = largest(alone).max(terms);
    alone.iter().zip(pack).all(|(alone, pack)| {
        let allowed = AGREEMENT * alone.abs() + CANCELLED * largest + NOTHING;
        (alone - pack).abs() <= allowed || (alone.is_nan() && pack.is_nan())
    })
}

/// The laws of the library that are packed, and diodes.
fn library() -> Vec<(String, AnyDevice)> {
    let mut all: Vec<(String, AnyDevice)> = library::valves()
        .iter()
        .map(|valve| (valve.name.clone(), valve.model.device(false)))
        .filter(|(_, law)| !matches!(law, AnyDevice::Stabiliser(_)))
        .collect();
    for (name, diode) in [
        ("silicon", Diode::silicon()),
        ("exponential", Diode::exponential(1e-9, 0.05)),
        (
            "tangent from the start",
            Diode {
                i_max: 2e-9,
                ..Diode::exponential(1e-9, 0.05)
            },
        ),
    ] {
        all.push((name.to_owned(), diode.into()));
    }
    all
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
        for point in 0..POINTS / size {
            // The vectors of this machine, and those that every machine has
            let level = [Level::new(), Level::baseline()][point % 2];
            let x: Vec<Vec<f64>> = devices
                .iter()
                .map(|device| device.unknowns().iter().map(|_| draw.volts()).collect())
                .collect();
            for (((name, device), x), (f, df)) in
                chosen.iter().zip(&x).zip(beside(&devices, &x, level))
            {
                let (f_alone, df_alone) = alone(device, x);
                conducting += usize::from(f_alone[0] > 1e-6);
                assert!(
                    equal(&f_alone, &f, 0.0),
                    "{name} at {x:?}: {f_alone:?} and {f:?}"
                );
                let n = x.len();
                let volts = (x[n.saturating_sub(3)] - x[n - 1]).abs();
                let per_volt = if volts > 0.0 {
                    largest(&f_alone) / volts
                } else {
                    0.0
                };
                for (alone, pack) in df_alone.chunks(n).zip(df.chunks(n)) {
                    assert!(
                        equal(alone, pack, per_volt),
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
            let (in_pack, _) = &beside(&[&device], std::slice::from_ref(&x), Level::new())[0];
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
