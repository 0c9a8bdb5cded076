//! What every device must obey, and the check that holds it to that.
//!
//! For the terminal voltages x, currents f and slopes df of a device:
//!
//! 1. **Finite.** f and df are finite for every x, up to ±1e6 V on any terminal.
//! 2. **Kirchhoff.** The terminal currents add up to zero, to rounding.
//! 3. **Shift.** Adding one voltage to all terminals changes nothing: each row of df adds up to
//!    zero, to rounding.
//! 4. **Pattern.** An entry of df outside `pattern()` is exactly zero.
//! 5. **Slopes.** df equals central differences of f over 1e-6 V, to 1e-3 of the entry itself, so
//!    that one percent of the smallest current is found. Three allowances, each computed: the
//!    rounding of f (1e-14 of the current, over the step), the rounding of x, and the change of
//!    slope across the step (by the mean value theorem the difference lies between the slopes).
//! 6. **Smooth.** Between neighbours of a voltage scan the largest change of slope is followed by
//!    bisection down to 1e-9 V; what then is left must be under 1 % of the slope there, or of
//!    1e-15 S. A step of slope, as of a bare max(v, 0), stays at 100 %. Anode or screen at the potential of the
//!    cathode is no exception. Only a core with hysteresis is: a stop slides or does not.
//! 7. **Passive.** See [`Passivity`].
//!
//! Every rule is shown to bite by a device that breaks it. Rules, check and faulty devices stay in
//! one file, so that nobody loosens the one without seeing the other.
//!
//! Over 400 lines because the checks and the faulty devices they must reject belong together.

use std::fmt;

use crate::any_device::AnyDevice;
use crate::core::{Core, Hysteresis};
use crate::device::{Device, Local};
use crate::diode::Diode;
use crate::library;
use crate::rectifier::Rectifier;
use crate::transistor::Transistor;

/// Step of the central differences, V: small beside the narrowest hinge (0.1 mV of
/// [`Rectifier::child`]), large beside the rounding of kilovolts.
const STEP: f64 = 1e-6;
/// Agreement of slope and difference, relative to the entry.
const SLOPE_TOLERANCE: f64 = 1e-3;
/// Rounding of a current relative to itself: exponentials of arguments up to 100 amplify the
/// 1.1e-16 of a double about fifty times.
const CURRENT_ROUNDING: f64 = 1e-14;
/// Rounding of sums, relative to their terms.
const SUM_ROUNDING: f64 = 1e-12;
/// Currents under this are nothing, A.
const NO_CURRENT: f64 = 1e-40;
/// A step of slope under this is none, S (1/H in a core): a thousandth of the smallest conductance
/// anyone adds to a circuit. Laws may drop a current to zero where it is smaller than that.
const NO_SLOPE: f64 = 1e-15;
/// Power a hot cathode's electrons may carry against a retarding electrode, W.
const EMISSION_POWER: f64 = 1e-4;
/// Width to which a change of slope is followed, V, and what may be left of it.
const BORDER: f64 = 1e-9;
/// See [`BORDER`]. The slope of E^x at v = 0 starts as v^(x-1): 1e-9^0.3 of its size at 1 V.
const BORDER_TOLERANCE: f64 = 1e-2;
/// Pseudo-random voltages tried on each device.
const RANDOM_POINTS: usize = 400;

/// What physics says about the power a device takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Passivity {
    /// The power into the device is never negative, to rounding.
    Strict,
    /// Each electrode, measured from the last terminal (the cathode), delivers at most 0.1 mW:
    /// electrons leave a hot cathode with a speed the heater paid for and reach electrodes that
    /// are slightly negative.
    Emission,
    /// All electrodes together deliver at most 0.1 mW for each of them: a filament has no one potential from
    /// which to measure one alone.
    Filament,
    /// Nothing is demanded: the transistor's law leaves out the collector junction that would stop
    /// its collector current, and so delivers power at negative collector voltages.
    Exempt,
}

/// A rule that a device broke, and where.
#[derive(Clone, Debug, PartialEq)]
pub struct Breach {
    /// The unknowns at which it was broken, V or Wb.
    pub at: Vec<f64>,
    /// The rule.
    pub rule: Rule,
}

/// The rules, with the figures that broke them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rule {
    /// A current or slope is not finite.
    Finite,
    /// Terminal currents add up to `sum`, A.
    Kirchhoff {
        /// Their sum, A.
        sum: f64,
    },
    /// A row of slopes adds up to `sum`, S.
    Shift {
        /// The row.
        row: usize,
        /// Its sum, S.
        sum: f64,
    },
    /// An entry outside the pattern is not zero.
    Pattern {
        /// Its row.
        row: usize,
        /// Its column.
        column: usize,
    },
    /// A slope differs from its central difference.
    Slope {
        /// Its row.
        row: usize,
        /// Its column.
        column: usize,
        /// As the device gives it.
        given: f64,
        /// As the difference gives it.
        difference: f64,
    },
    /// A slope steps by `step` of itself.
    Smooth {
        /// Entry, row-major.
        entry: usize,
        /// The step relative to the slope.
        step: f64,
    },
    /// The device delivers `power`, W.
    Passive {
        /// The power delivered, W.
        power: f64,
    },
}

impl fmt::Display for Breach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?} at {:?}", self.rule, self.at)
    }
}

/// Samples of every kind of device, every valve of the library among them.
pub fn all() -> Vec<(String, AnyDevice)> {
    /// Laid along a filament too. No pentode of the library has one: the law of another is as good a sample.
    const ALONG: [&str; 4] = ["2A3", "300B", "EL84", "5U4G"];
    let transistor = Transistor {
        alpha: 0.99,
        i_s: 1e-6,
        v_t: 0.026,
    };
    let hysteresis = Hysteresis::from_coercive_current(5e-3, 0.7);
    let mut devices: Vec<(String, AnyDevice)> = vec![
        ("silicon diode".into(), Diode::silicon().into()),
        ("exponential".into(), Diode::exponential(4e-8, 0.056).into()),
        ("child rectifier".into(), Rectifier::child(1e-3).into()),
        ("transistor".into(), transistor.into()),
        ("linear core".into(), Core::linear(10.0).into()),
        ("core".into(), Core::saturating(10.0, 0.7).into()),
        (
            "gapped core".into(),
            Core::saturating(30.0, 0.7).with_gap(10.0).into(),
        ),
        (
            "core with hysteresis".into(),
            Core::saturating(10.0, 0.7)
                .with_hysteresis(hysteresis)
                .into(),
        ),
    ];
    devices.extend(library::valves().iter().map(|valve| {
        let device = valve.model.device(false);
        (valve.name.clone(), device)
    }));
    let laid = library::valves()
        .iter()
        .filter(|valve| ALONG.contains(&valve.name.as_str()));
    devices.extend(laid.map(|valve| {
        let device = valve.model.device(true);
        (format!("{} along a filament", valve.name), device)
    }));
    devices
}

/// The passivity that physics demands of a device.
pub fn passivity(device: &AnyDevice) -> Passivity {
    match device {
        AnyDevice::Diode(_) | AnyDevice::Core(_) | AnyDevice::Stabiliser(_) => Passivity::Strict,
        AnyDevice::Rectifier(_) | AnyDevice::Triode(_) | AnyDevice::Pentode(_) => {
            Passivity::Emission
        }
        AnyDevice::FilamentTriode(_)
        | AnyDevice::FilamentPentode(_)
        | AnyDevice::FilamentRectifier(_) => Passivity::Filament,
        AnyDevice::Transistor(_) => Passivity::Exempt,
    }
}

/// Holds a device to the contract.
///
/// # Errors
/// The first breach.
pub fn check(device: &AnyDevice) -> Result<(), Breach> {
    check_law(device, passivity(device))
}

/// Holds any law to the contract, with the passivity it is to have. Some 1e5 evaluations.
///
/// # Errors
/// The first breach.
pub fn check_law(device: &impl Device, passivity: Passivity) -> Result<(), Breach> {
    let bench = Bench::new(device);
    for x in absurd(bench.n) {
        bench.finite(&x)?;
    }
    for x in bench.voltages() {
        let at = bench.at(&x);
        bench.finite(&x)?;
        bench.sums(&x, &at)?;
        bench.pattern(&x, &at)?;
        bench.slopes(&x, &at)?;
        bench.passive(&x, &at, passivity)?;
    }
    if device.memory() == 0 {
        bench.smooth()?;
    }
    Ok(())
}

/// A device on the bench: its size and stored values at rest.
struct Bench<'a, D> {
    device: &'a D,
    n: usize,
    terminals: usize,
    memory: Vec<f64>,
}

/// Currents and slopes at one point.
struct At {
    f: Vec<f64>,
    df: Vec<f64>,
}

impl<'a, D: Device> Bench<'a, D> {
    fn new(device: &'a D) -> Self {
        Self {
            device,
            n: device.unknowns().len(),
            terminals: device.terminals(),
            memory: vec![0.0; device.memory()],
        }
    }

    fn at(&self, x: &[f64]) -> At {
        // Not zero, so that an entry the device forgets to fill is found
        let mut at = At {
            f: vec![f64::NAN; self.n],
            df: vec![f64::NAN; self.n * self.n],
        };
        let mut out = Local {
            f: &mut at.f,
            df: &mut at.df,
        };
        self.device.eval(x, &self.memory, &mut out);
        at
    }

    /// A grid of voltages, then pseudo-random ones: small, about bias and about supply.
    fn voltages(&self) -> Vec<Vec<f64>> {
        const GRID: [f64; 9] = [-300.0, -20.0, -2.0, -0.3, 0.0, 0.4, 1.5, 30.0, 400.0];
        let mut points = combinations(&GRID, self.n);
        let mut random = Random(0x9e37_79b9_7f4a_7c15);
        for _ in 0..RANDOM_POINTS {
            points.push((0..self.n).map(|_| random.voltage()).collect());
        }
        points
    }

    fn finite(&self, x: &[f64]) -> Result<(), Breach> {
        let at = self.at(x);
        if at.f.iter().chain(&at.df).all(|value| value.is_finite()) {
            Ok(())
        } else {
            Err(breach(x, Rule::Finite))
        }
    }

    fn sums(&self, x: &[f64], at: &At) -> Result<(), Breach> {
        if self.terminals == 0 {
            return Ok(());
        }
        let size = |values: &[f64]| values.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
        let currents = &at.f[..self.terminals];
        let sum: f64 = currents.iter().sum();
        if sum.abs() > SUM_ROUNDING * size(currents) {
            return Err(breach(x, Rule::Kirchhoff { sum }));
        }
        for row in 0..self.n {
            let slopes = &at.df[row * self.n..row * self.n + self.terminals];
            let sum: f64 = slopes.iter().sum();
            if sum.abs() > SUM_ROUNDING * size(slopes) {
                return Err(breach(x, Rule::Shift { row, sum }));
            }
        }
        Ok(())
    }

    fn pattern(&self, x: &[f64], at: &At) -> Result<(), Breach> {
        let pattern = self.device.pattern();
        assert_eq!(pattern.len(), self.n * self.n, "a pattern is [n·n]");
        let outside = |(slope, inside): (&f64, &bool)| !inside && slope.abs() > 0.0;
        match at.df.iter().zip(pattern).position(outside) {
            None => Ok(()),
            Some(entry) => {
                let (row, column) = (entry / self.n, entry % self.n);
                Err(breach(x, Rule::Pattern { row, column }))
            }
        }
    }

    fn slopes(&self, x: &[f64], at: &At) -> Result<(), Breach> {
        for column in 0..self.n {
            let (mut up, mut down) = (x.to_vec(), x.to_vec());
            up[column] += STEP;
            down[column] -= STEP;
            let width = up[column] - down[column];
            let (above, below) = (self.at(&up), self.at(&down));
            // Rounding of the voltage between terminals, relative to the step
            let largest = x.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
            let rounding_of_x = 2.0 * f64::EPSILON * largest / STEP;
            for row in 0..self.n {
                let entry = row * self.n + column;
                let given = at.df[entry];
                let difference = (above.f[row] - below.f[row]) / width;
                let bend = (above.df[entry] - given).abs() + (below.df[entry] - given).abs();
                let row_slopes = &at.df[row * self.n..(row + 1) * self.n];
                let steepest = row_slopes.iter().fold(0.0_f64, |most, s| most.max(s.abs()));
                let allowance = SLOPE_TOLERANCE * given.abs()
                    + (CURRENT_ROUNDING * at.f[row].abs() + NO_CURRENT) / STEP
                    + rounding_of_x * steepest
                    + bend;
                if (given - difference).abs() > allowance {
                    let rule = Rule::Slope {
                        row,
                        column,
                        given,
                        difference,
                    };
                    return Err(breach(x, rule));
                }
            }
        }
        Ok(())
    }

    fn passive(&self, x: &[f64], at: &At, passivity: Passivity) -> Result<(), Breach> {
        let reference = match self.terminals {
            0 => 0.0,
            terminals => x[terminals - 1],
        };
        let powers = x.iter().zip(&at.f).map(|(v, i)| (v - reference) * i);
        let delivered = match passivity {
            Passivity::Exempt => return Ok(()),
            Passivity::Strict => -powers.sum::<f64>(),
            Passivity::Emission => -EMISSION_POWER - powers.fold(0.0, f64::min),
            Passivity::Filament => {
                let electrodes = self.terminals.saturating_sub(2) as f64;
                -EMISSION_POWER * electrodes - powers.sum::<f64>()
            }
        };
        if delivered > 0.0 {
            return Err(breach(x, Rule::Passive { power: delivered }));
        }
        Ok(())
    }

    /// Scans each unknown with the others held, and follows each change of slope.
    fn smooth(&self) -> Result<(), Breach> {
        const OTHERS: [f64; 4] = [-7.0, 0.0, 1.3, 250.0];
        let scan = scan();
        for column in 0..self.n {
            for mut x in combinations(&OTHERS, self.n) {
                // The scanned entry's own value is replaced: one combination of it is enough
                if (x[column] - OTHERS[0]).abs() > 0.0 {
                    continue;
                }
                x[column] = scan[0];
                let mut left = self.at(&x);
                for pair in scan.windows(2) {
                    x[column] = pair[1];
                    let right = self.at(&x);
                    self.follow(&x, column, (pair[0], pair[1]), (&left, &right))?;
                    left = right;
                }
            }
        }
        Ok(())
    }

    /// Bisects the segment towards its largest change of slope.
    fn follow(
        &self,
        x: &[f64],
        column: usize,
        (mut low, mut high): (f64, f64),
        (left, right): (&At, &At),
    ) -> Result<(), Breach> {
        // The entry that changes most, relative to its own size in the segment
        let relative = |entry: usize| {
            let (a, b) = (left.df[entry], right.df[entry]);
            let size = a.abs().max(b.abs()).max(NO_SLOPE);
            ((a - b).abs() / size, size)
        };
        let (entry, (_, size)) = (0..left.df.len())
            .map(|entry| (entry, relative(entry)))
            .max_by(|a, b| a.1.0.total_cmp(&b.1.0))
            .expect("a device has at least one unknown");
        let mut x = x.to_vec();
        let mut slope = |v: f64| {
            x[column] = v;
            self.at(&x).df[entry]
        };
        let (mut at_low, mut at_high) = (left.df[entry], right.df[entry]);
        // Neighbouring voltages of double precision may be wider apart than the border
        while high - low > BORDER.max(4.0 * f64::EPSILON * high.abs().max(low.abs())) {
            let middle = 0.5 * (low + high);
            let at_middle = slope(middle);
            if (at_middle - at_low).abs() >= (at_high - at_middle).abs() {
                (high, at_high) = (middle, at_middle);
            } else {
                (low, at_low) = (middle, at_middle);
            }
        }
        let step = (at_high - at_low).abs() / size;
        if step > BORDER_TOLERANCE {
            x[column] = low;
            return Err(breach(&x, Rule::Smooth { entry, step }));
        }
        Ok(())
    }
}

fn breach(x: &[f64], rule: Rule) -> Breach {
    Breach {
        at: x.to_vec(),
        rule,
    }
}

/// Every combination of `values` on `n` unknowns: values^n points.
fn combinations(values: &[f64], n: usize) -> Vec<Vec<f64>> {
    (0..n).fold(vec![Vec::new()], |points, _| {
        let longer = |point: &Vec<f64>, value: &f64| {
            let mut longer = point.clone();
            longer.push(*value);
            longer
        };
        points
            .iter()
            .flat_map(|point| values.iter().map(move |value| longer(point, value)))
            .collect()
    })
}

/// Voltages no amplifier has.
fn absurd(n: usize) -> Vec<Vec<f64>> {
    combinations(&[-1e6, -1e4, 0.0, 1e4, 1e6], n)
}

/// Voltages of a scan: every quarter volt about zero, then in ratios of 1.3 to 2 kV.
fn scan() -> Vec<f64> {
    let near = (-40..=40).map(|k| 0.25 * f64::from(k));
    let far = (1..=20).map(|k| 10.0 * 1.3_f64.powi(k));
    let mut scan: Vec<f64> = near.chain(far.clone()).chain(far.map(|v| -v)).collect();
    scan.sort_by(f64::total_cmp);
    scan
}

/// A small linear congruential generator: the same voltages on every machine and in every run.
struct Random(u64);

impl Random {
    /// Uniform in [-1, 1). Multiplier: Knuth, The Art of Computer Programming 2 (1997), 3.3.4.
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let fraction = (self.0 >> 11) as f64 / (1_u64 << 53) as f64;
        2.0 * fraction - 1.0
    }

    /// A voltage of either sign between 1 mV and 1.5 kV, evenly over the decades.
    fn voltage(&mut self) -> f64 {
        let decades = 1.5 + 1.68 * self.uniform();
        self.uniform().signum() * 10.0_f64.powf(2.0 * decades - 3.2)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_device_obeys() {
        let breaches: Vec<String> = all()
            .iter()
            .filter_map(|(name, device)| Some(format!("{name}: {}", check(device).err()?)))
            .collect();
        assert!(breaches.is_empty(), "{breaches:#?}");
    }

    #[test]
    fn every_kind_of_device_is_sampled() {
        let samples = all();
        for word in AnyDevice::WORDS {
            let sampled = samples.iter().any(|(_, device)| device.word() == *word);
            assert!(sampled, "no sample of {word}");
        }
    }

    /// What is wrong with a device.
    #[derive(Clone, Copy, Debug)]
    enum Fault {
        None,
        Slope,
        SmallSlope,
        Pattern,
        Current,
        Shift,
        Kink,
        Power,
        Overflow,
        Forgotten,
    }

    /// A two-terminal conductance of 1 mS with a small exponential, and a fault.
    struct Faulty(Fault);

    impl Device for Faulty {
        fn unknowns(&self) -> &'static [&'static str] {
            &["a", "b"]
        }

        fn pattern(&self) -> &'static [bool] {
            match self.0 {
                Fault::Pattern => &[true, true, true, false],
                _ => &[true; 4],
            }
        }

        fn eval(&self, x: &[f64], _memory: &[f64], out: &mut Local<'_>) {
            let v = x[0] - x[1];
            let (mut i, mut g) = (1e-3 * v, 1e-3);
            match self.0 {
                Fault::Slope => g *= 1.01,
                // Without the rest: a current of a nanoampere with a slope one percent off
                Fault::SmallSlope => (i, g) = (1e-12 * v, 1.01e-12),
                Fault::Kink => {
                    i += 1e-3 * v.max(0.0);
                    g += if v > 0.0 { 1e-3 } else { 0.0 };
                }
                Fault::Power => (i, g) = (-i, -g),
                Fault::Overflow => {
                    i += 1e-9 * v.exp();
                    g += 1e-9 * v.exp();
                }
                _ => {}
            }
            out.f.copy_from_slice(&[i, -i]);
            out.df.copy_from_slice(&[g, -g, -g, g]);
            match self.0 {
                Fault::Current => out.f[1] = -i * 1.001,
                Fault::Shift => {
                    // Answers to one terminal's own voltage
                    let own = 1e-3 * x[0];
                    out.f.copy_from_slice(&[own, -own]);
                    out.df.copy_from_slice(&[1e-3, 0.0, -1e-3, 0.0]);
                }
                Fault::Forgotten => out.df[3] = f64::NAN,
                _ => {}
            }
        }
    }

    #[test]
    fn a_sound_device_passes_and_each_fault_is_found() {
        let verdict = |fault| check_law(&Faulty(fault), Passivity::Strict);
        assert_eq!(verdict(Fault::None), Ok(()));
        let rule = |fault| verdict(fault).unwrap_err().rule;
        assert!(matches!(rule(Fault::Slope), Rule::Slope { .. }));
        assert!(matches!(rule(Fault::SmallSlope), Rule::Slope { .. }));
        assert!(matches!(
            rule(Fault::Pattern),
            Rule::Pattern { row: 1, column: 1 }
        ));
        assert!(matches!(rule(Fault::Current), Rule::Kirchhoff { .. }));
        assert!(matches!(rule(Fault::Shift), Rule::Shift { row: 0, .. }));
        assert!(matches!(rule(Fault::Kink), Rule::Smooth { .. }));
        assert!(matches!(rule(Fault::Power), Rule::Passive { .. }));
        let filament = check_law(&Faulty(Fault::Power), Passivity::Filament);
        assert!(matches!(filament.unwrap_err().rule, Rule::Passive { .. }));
        assert!(matches!(rule(Fault::Overflow), Rule::Finite));
        assert!(matches!(rule(Fault::Forgotten), Rule::Finite));
    }
}
