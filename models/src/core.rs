//! Magnetising current of an iron core, from the flux linkage of a reference winding.
//!
//! ```text
//! i(lam) = g lam/l0 + (1 - g) (ls/(k l0)) sinh(k lam/ls) + lam/l_gap + sum of s_j
//! s_j    = clip(s_j0 + e_j (lam - lam0), ±i_j)
//! ```
//!
//! Symbols   lam flux linkage, Wb;  l0 inductance of the iron at small flux, H;  ls flux linkage of
//!           saturation, Wb;  g linear share and k sharpness of saturation;  l_gap inductance the
//!           gap alone would leave, H;  s_j stops, A, of stiffness e_j, 1/H, and limit i_j, A;
//!           lam0, s_j0 flux and stops when the last step was accepted
//! Source    exponential series: Macfadyen et al., Proc. IEE 120 (1973) 902.  Stops: Bobbio et
//!           al., IEEE Trans. Magn. 33 (1997) 4417; Matsuo & Shimasaki, ibid. 41 (2005)
//! Valid     one lumped core; eddy loss is a resistor across the winding; above |k lam/ls| = 12
//!           the tangent, whose inductance, l0/814 for the default g, stands for the air core
//! Care      C¹ without stops, and without stops di/dlam = 1/l0 + 1/l_gap exactly at lam = 0.
//!           With stops the slope steps where a stop reaches its limit; it stays positive

use crate::device::{Device, Local};
use crate::guard::Sloped;

/// Sharpness k and linear share g of the default iron: the incremental inductance has halved at
/// 0.66 ls and fallen to a sixteenth at ls, as grain-oriented silicon steel does between 1.0 and
/// 1.6 T. An assumption about shape, to be varied.
const SHARPNESS: f64 = 8.0;
/// See [`SHARPNESS`].
const LINEAR_SHARE: f64 = 0.99;
/// Argument of sinh above which the law goes on along its tangent.
const TANGENT_FROM: f64 = 12.0;
/// Saturation above the flux of rated power. ASSUMPTION: middle of 1.15 to 1.3, the reserve that
/// makes "rated power at 1 % distortion" true.
const RATING_RESERVE: f64 = 1.2;

/// A core as seen from its reference winding.
#[derive(Clone, Debug, PartialEq)]
pub struct Core {
    /// Inductance of the iron at small flux, H.
    pub l0: f64,
    /// Flux linkage of saturation, Wb; infinite for a linear core.
    pub lambda_s: f64,
    /// Share of the magnetising current that never saturates.
    pub linear_share: f64,
    /// Sharpness of saturation.
    pub sharpness: f64,
    /// Reciprocal inductance of the gap alone, 1/H; zero without a gap.
    pub gap: f64,
    /// Stops of the hysteresis; none for a core without loss.
    pub hysteresis: Hysteresis,
}

/// Hysteresis as elements that slide when their current reaches a limit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Hysteresis {
    /// The elements; the stored values follow in the same order.
    pub stops: Vec<Stop>,
}

/// One sliding element.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stop {
    /// Slope of its current before it slides, 1/H.
    pub stiffness: f64,
    /// Current at which it slides, A.
    pub limit: f64,
}

impl Hysteresis {
    /// Stops for a coercive current `i_c`, A, of a core that saturates at `lambda_s`, Wb.
    ///
    /// ASSUMPTION, no material was fitted: five elements that begin to slide at 0.2 % to 80 % of
    /// saturation in equal ratios, with limits growing as the 3/4 power of their flux so that
    /// permeability rises from small flux, and adding up to the coercive current.
    pub fn from_coercive_current(i_c: f64, lambda_s: f64) -> Self {
        const ELEMENTS: u32 = 5;
        const SMALLEST: f64 = 0.002;
        const LARGEST: f64 = 0.8;
        const GROWTH: f64 = 0.75;
        let ratio = (LARGEST / SMALLEST).powf(1.0 / f64::from(ELEMENTS - 1));
        let fluxes = (0..ELEMENTS).map(|j| SMALLEST * ratio.powf(f64::from(j)));
        let total: f64 = fluxes.clone().map(|flux| flux.powf(GROWTH)).sum();
        let stops = fluxes
            .map(|flux| {
                let limit = i_c * flux.powf(GROWTH) / total;
                Stop {
                    stiffness: limit / (flux * lambda_s),
                    limit,
                }
            })
            .collect();
        Self { stops }
    }
}

/// Peak flux linkage, Wb, of a sine of `power`, W, into `impedance`, ohm, at `frequency`, Hz.
///
/// sqrt(2 P Z) / (2 pi f): Faraday's law for the whole winding across `impedance`.
pub fn flux_of_power(power: f64, frequency: f64, impedance: f64) -> f64 {
    (2.0 * power * impedance).sqrt() / (std::f64::consts::TAU * frequency)
}

impl Core {
    /// A core that never saturates, `l0` in H.
    pub fn linear(l0: f64) -> Self {
        Self::saturating(l0, f64::INFINITY)
    }

    /// Iron of small-signal inductance `l0`, H, that saturates at flux linkage `lambda_s`, Wb.
    pub fn saturating(l0: f64, lambda_s: f64) -> Self {
        Self {
            l0,
            lambda_s,
            linear_share: LINEAR_SHARE,
            sharpness: SHARPNESS,
            gap: 0.0,
            hysteresis: Hysteresis::default(),
        }
    }

    /// A transformer known by its rating: `power`, W, at the lowest `frequency`, Hz, into the
    /// `impedance`, ohm, of the reference winding. Saturation is set 1.2 times above that flux.
    pub fn from_rating(l0: f64, power: f64, frequency: f64, impedance: f64) -> Self {
        Self::saturating(
            l0,
            RATING_RESERVE * flux_of_power(power, frequency, impedance),
        )
    }

    /// A choke whose incremental inductance has fallen to `fraction` of `l0`, H, at current `i`, A.
    ///
    /// `fraction` lies between 0 and 1; one half where a maker states only "saturation current".
    pub fn from_saturation_current(l0: f64, i: f64, fraction: f64) -> Self {
        let iron = Self::saturating(l0, 1.0);
        let a = iron.argument_of_slope(1.0 / fraction);
        // The current at that argument is proportional to lambda_s
        let per_flux =
            (iron.linear_share * a + (1.0 - iron.linear_share) * a.sinh()) / (iron.sharpness * l0);
        Self::saturating(l0, i / per_flux)
    }

    /// Adds a gap that alone would leave the inductance `l_gap`, H.
    #[must_use]
    pub fn with_gap(mut self, l_gap: f64) -> Self {
        self.gap = l_gap.recip();
        self
    }

    /// Adds hysteresis.
    #[must_use]
    pub fn with_hysteresis(mut self, hysteresis: Hysteresis) -> Self {
        self.hysteresis = hysteresis;
        self
    }

    /// Current without hysteresis, A, and its slope, 1/H, at flux linkage `lam`, Wb.
    #[inline]
    pub fn anhysteretic(&self, lam: f64) -> Sloped {
        let (curve, slope) = self.relative_curve(lam);
        Sloped {
            value: curve / self.l0 + self.gap * lam,
            slope: slope / self.l0 + self.gap,
        }
    }

    /// l0 i and l0 di/dlam of the iron.
    #[inline]
    fn relative_curve(&self, lam: f64) -> (f64, f64) {
        if self.lambda_s.is_infinite() {
            return (lam, 1.0);
        }
        let scale = self.sharpness / self.lambda_s;
        let z = scale * lam;
        let (g, bent) = (self.linear_share, 1.0 - self.linear_share);
        let inside = z.clamp(-TANGENT_FROM, TANGENT_FROM);
        let (sinh, cosh) = (inside.sinh(), inside.cosh());
        let curve = sinh + cosh * (z - inside);
        (g * lam + bent * curve / scale, g + bent * cosh)
    }

    /// Argument k lam/ls at which the iron's slope is `ratio` times the slope at zero.
    fn argument_of_slope(&self, ratio: f64) -> f64 {
        ((ratio - self.linear_share) / (1.0 - self.linear_share)).acosh()
    }

    /// Incremental inductance without hysteresis, H, at flux linkage `lam`, Wb.
    pub fn incremental_inductance(&self, lam: f64) -> f64 {
        self.anhysteretic(lam).slope.recip()
    }

    /// Flux linkage, Wb, at which the incremental inductance, gap included, has fallen to half.
    pub fn saturation_flux(&self) -> f64 {
        // 1/l0 (iron slope) + gap = 2 (1/l0 + gap)
        self.lambda_s / self.sharpness * self.argument_of_slope(2.0 + self.gap * self.l0)
    }

    /// One stop moved from its stored value by `dlam`: current and slope.
    #[inline]
    fn moved(stop: Stop, stored: f64, dlam: f64) -> Sloped {
        let free = stored + stop.stiffness * dlam;
        let value = free.clamp(-stop.limit, stop.limit);
        let slides = free.abs() > stop.limit;
        Sloped {
            value,
            slope: if slides { 0.0 } else { stop.stiffness },
        }
    }
}

impl Device for Core {
    fn unknowns(&self) -> &'static [&'static str] {
        &["flux"]
    }

    fn terminals(&self) -> usize {
        0
    }

    fn pattern(&self) -> &'static [bool] {
        &[true]
    }

    fn memory(&self) -> usize {
        match self.hysteresis.stops.len() {
            0 => 0,
            stops => 1 + stops,
        }
    }

    #[inline]
    fn eval(&self, x: &[f64], memory: &[f64], out: &mut Local<'_>) {
        let mut i = self.anhysteretic(x[0]);
        if let Some((lam0, stored)) = memory.split_first() {
            for (stop, s0) in self.hysteresis.stops.iter().zip(stored) {
                let s = Self::moved(*stop, *s0, x[0] - lam0);
                i.value += s.value;
                i.slope += s.slope;
            }
        }
        out.f[0] = i.value;
        out.df[0] = i.slope;
    }

    fn commit(&self, x: &[f64], memory: &mut [f64]) {
        if let Some((lam0, stored)) = memory.split_first_mut() {
            for (stop, s0) in self.hysteresis.stops.iter().zip(stored) {
                *s0 = Self::moved(*stop, *s0, x[0] - *lam0).value;
            }
            *lam0 = x[0];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn current(core: &Core, lam: f64, memory: &[f64]) -> f64 {
        let (mut f, mut df) = ([0.0], [0.0]);
        let mut out = Local {
            f: &mut f,
            df: &mut df,
        };
        core.eval(&[lam], memory, &mut out);
        f[0]
    }

    #[test]
    fn small_signal_inductance_is_exact() {
        assert!((Core::saturating(12.5, 0.7).incremental_inductance(0.0) - 12.5).abs() < 1e-13);
        let gapped = Core::saturating(30.0, 0.7).with_gap(10.0);
        assert!((gapped.incremental_inductance(0.0) - 7.5).abs() < 1e-13);
        assert!((Core::linear(3.0).incremental_inductance(1e3) - 3.0).abs() < 1e-14);
    }

    #[test]
    fn half_the_inductance_at_the_saturation_flux() {
        for core in [
            Core::saturating(10.0, 0.7),
            Core::saturating(30.0, 0.7).with_gap(10.0),
        ] {
            let ratio = core.incremental_inductance(core.saturation_flux())
                / core.incremental_inductance(0.0);
            assert!((ratio - 0.5).abs() < 1e-12);
        }
        assert!(Core::linear(1.0).saturation_flux().is_infinite());
    }

    #[test]
    fn a_choke_has_lost_its_fraction_at_the_stated_current() {
        let choke = Core::from_saturation_current(10.0, 0.1, 0.5);
        let lam = choke.saturation_flux();
        assert!((choke.anhysteretic(lam).value - 0.1).abs() < 1e-12);
    }

    #[test]
    fn a_rated_transformer_is_below_saturation_at_its_rating() {
        // 15 W at 30 Hz into 6600 ohm: peak 445 V over 2 pi 30 Hz
        let flux = flux_of_power(15.0, 30.0, 6600.0);
        assert!((flux - 444.971_909_2 / (std::f64::consts::TAU * 30.0)).abs() < 1e-9);
        let core = Core::from_rating(50.0, 15.0, 30.0, 6600.0);
        assert!((core.lambda_s / flux - 1.2).abs() < 1e-12);
    }

    #[test]
    fn a_closed_loop_loses_the_area_of_its_stops() {
        // One stop of limit i, slid between ±lam: loss per cycle 4 i (lam - i/e)
        let (e, limit, peak) = (2.0, 0.1, 1.0);
        let stops = vec![Stop {
            stiffness: e,
            limit,
        }];
        let core = Core::linear(10.0).with_hysteresis(Hysteresis { stops });
        let mut memory = vec![0.0; core.memory()];
        let steps = 4000;
        let (mut loss, mut last) = (0.0, (0.0, 0.0));
        for step in 0..=2 * steps {
            let angle = std::f64::consts::TAU * f64::from(step) / f64::from(steps);
            let lam = peak * angle.sin();
            let i = current(&core, lam, &memory);
            core.commit(&[lam], &mut memory);
            if step > steps {
                loss += 0.5 * (i + last.1) * (lam - last.0);
            }
            last = (lam, i);
        }
        let expected = 4.0 * limit * (peak - limit / e);
        assert!((loss / expected - 1.0).abs() < 1e-4, "{loss} {expected}");
    }

    #[test]
    fn stops_slide_from_a_five_hundredth_to_four_fifths_of_saturation() {
        // What `from_coercive_current` assumes: equal ratios between 0.2 % and 80 %, limits as the 3/4 power.
        let hysteresis = Hysteresis::from_coercive_current(0.02, 0.5);
        let first = hysteresis.stops[0];
        for (j, stop) in hysteresis.stops.iter().enumerate() {
            let flux = 0.002 * 400_f64.powf(j as f64 / 4.0);
            let slides = stop.limit / stop.stiffness / 0.5;
            assert!((slides / flux - 1.0).abs() < 1e-12, "{slides}, not {flux}");
            let limit = first.limit * (flux / 0.002).powf(0.75);
            assert!((stop.limit / limit - 1.0).abs() < 1e-12, "{stop:?}");
        }
    }

    #[test]
    fn coercive_current_is_the_sum_of_the_limits() {
        let hysteresis = Hysteresis::from_coercive_current(0.02, 0.5);
        let sum: f64 = hysteresis.stops.iter().map(|stop| stop.limit).sum();
        assert!((sum - 0.02).abs() < 1e-15);
        let stiff: Vec<_> = hysteresis.stops.iter().map(|stop| stop.stiffness).collect();
        assert!(stiff.windows(2).all(|pair| pair[0] > pair[1]));
    }
}
