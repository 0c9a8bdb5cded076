//! What samples tell of a distribution, and how well.
//!
//! ```text
//! m ± s/√n,   s ± √((m_4 − s⁴)/n)/(2s),   q_p ± (x_(np+d) − x_(np−d))/2,  d = √(np(1−p))
//! ```
//!
//! Symbols   m mean;  s standard deviation;  m_4 fourth central moment;  q_p quantile;  x_(r) r-th of the
//!           samples in rising order;  each ± is one standard error
//! Source    moments: delta method (textbook).  Quantiles: the binomial distribution of the number of
//!           samples below one (order statistics, textbook); JCGM 101:2008, 7.7 (from memory)
//! Care      of independent samples; where too few lie beyond a quantile its error is not known

use serde::Serialize;

/// A figure drawn from samples, with its standard error.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// Its standard error; none when there are too few samples to tell.
    pub error: Option<f64>,
}

/// Samples in rising order, at least two.
#[derive(Clone, Debug)]
pub(super) struct Sorted(Vec<f64>);

impl Sorted {
    /// None with fewer than two.
    pub(super) fn new(mut values: Vec<f64>) -> Option<Self> {
        values.sort_by(f64::total_cmp);
        (values.len() >= 2).then_some(Self(values))
    }

    pub(super) fn values(&self) -> &[f64] {
        &self.0
    }

    fn count(&self) -> f64 {
        self.0.len() as f64
    }

    fn average(&self) -> f64 {
        self.0.iter().sum::<f64>() / self.count()
    }

    /// Mean of a power of the distance from the mean.
    fn moment(&self, power: i32) -> f64 {
        let mean = self.average();
        self.0.iter().map(|x| (x - mean).powi(power)).sum::<f64>() / self.count()
    }

    pub(super) fn mean(&self) -> Estimate {
        Estimate {
            value: self.average(),
            error: Some(self.deviation().value / self.count().sqrt()),
        }
    }

    /// Standard deviation, by n − 1.
    pub(super) fn deviation(&self) -> Estimate {
        let n = self.count();
        let variance = self.moment(2) * n / (n - 1.0);
        let deviation = variance.sqrt();
        let error = (self.moment(4) - variance * variance).max(0.0);
        Estimate {
            value: deviation,
            error: Some(if deviation > 0.0 {
                (error / n).sqrt() / (2.0 * deviation)
            } else {
                0.0
            }),
        }
    }

    /// The value below which a share of the distribution lies.
    pub(super) fn quantile(&self, share: f64) -> Estimate {
        let n = self.count();
        // Ranks count from 1; the sample of rank r stands for the share (r − ½)/n.
        let at = |rank: f64| {
            let place = (rank - 0.5).clamp(0.0, n - 1.0);
            let below = place.floor() as usize;
            let above = (below + 1).min(self.0.len() - 1);
            self.0[below] + (place - place.floor()) * (self.0[above] - self.0[below])
        };
        let rank = n * share;
        let off = (n * share * (1.0 - share)).sqrt();
        let known = rank - off >= 0.5 && rank + off <= n - 0.5;
        Estimate {
            value: at(rank),
            error: known.then(|| 0.5 * (at(rank + off) - at(rank - off))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::instruments::random::Stream;

    #[test]
    fn ten_numbers_by_hand() {
        // 1 to 10: mean 5.5, variance 82.5/9, fourth moment 120.8625 (Σ of 2·(0.5⁴ + … + 4.5⁴) over ten)
        let sorted = Sorted::new((1..=10).rev().map(f64::from).collect()).unwrap();
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} {b}");
        let s = (82.5_f64 / 9.0).sqrt();
        near(sorted.mean().value, 5.5);
        near(sorted.mean().error.unwrap(), s / 10_f64.sqrt());
        near(sorted.deviation().value, s);
        let error = ((120.8625 - s.powi(4)) / 10.0).sqrt() / (2.0 * s);
        near(sorted.deviation().error.unwrap(), error);
        // The median of ten lies between the fifth and sixth; √(10/4) ranks are one standard error
        near(sorted.quantile(0.5).value, 5.5);
        near(sorted.quantile(0.5).error.unwrap(), 2.5_f64.sqrt());
        // Half a sample lies below a twentieth: the least stands for it, and nothing tells its error
        near(sorted.quantile(0.05).value, 1.0);
        assert_eq!(sorted.quantile(0.05).error, None);
    }

    #[test]
    fn the_errors_are_what_repeating_shows() {
        // 400 times 500 even numbers: the scatter of each estimate against the mean of its stated errors. The
        // scatter of 400 is known to 1/√800 = 3.5 %, taken four times.
        let runs: Vec<[Estimate; 3]> = (0..400)
            .map(|run| {
                let mut stream = Stream::new(7, run);
                let sorted = Sorted::new((0..500).map(|_| stream.share()).collect()).unwrap();
                [sorted.mean(), sorted.deviation(), sorted.quantile(0.9)]
            })
            .collect();
        // 1/2, 1/√12, 0.9 of even numbers from 0 to 1
        for (k, exact) in [0.5, 1.0 / 12_f64.sqrt(), 0.9].into_iter().enumerate() {
            let values = Sorted::new(runs.iter().map(|run| run[k].value).collect()).unwrap();
            let stated = runs.iter().map(|run| run[k].error.unwrap()).sum::<f64>() / 400.0;
            let scatter = values.deviation().value;
            assert!(
                (scatter / stated - 1.0).abs() < 0.14,
                "{k}: {scatter} {stated}"
            );
            let off = (values.mean().value - exact).abs();
            assert!(off < 4.0 * scatter / 20.0, "{k}: {off}");
        }
    }
}
