//! Published against ours: one row's figures, and how far off many rows are.

/// What a row prints.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quantity {
    /// Current with no signal, mA: of the anodes, or of anodes and screens where the row prints these together.
    Idle,
    /// Screen current with no signal, mA.
    IdleScreen,
    /// Mean current at full signal, mA, as [`Quantity::Idle`].
    Full,
    /// Mean screen current at full signal, mA.
    FullScreen,
    /// Watts into the load.
    Power,
    /// Total harmonic distortion, per cent.
    Distortion,
    /// Second harmonic, dB below the fundamental.
    Second,
    /// Third harmonic, dB below the fundamental.
    Third,
    /// Gain of a stage.
    Gain,
    /// Output of a stage where grid current sets in, V peak.
    PeakOutput,
    /// Direct volts of a rectifier.
    DirectVolts,
}

impl Quantity {
    /// As the pages call it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Idle => "idle current",
            Self::IdleScreen => "idle screen current",
            Self::Full => "full-signal current",
            Self::FullScreen => "full-signal screen current",
            Self::Power => "power",
            Self::Distortion => "distortion",
            Self::Second => "second harmonic",
            Self::Third => "third harmonic",
            Self::Gain => "gain",
            Self::PeakOutput => "peak output",
            Self::DirectVolts => "direct volts",
        }
    }

    /// As `doubted` in a row calls it.
    fn key(self) -> &'static str {
        match self {
            Self::Idle | Self::IdleScreen => "idle",
            Self::Full | Self::FullScreen => "full",
            Self::Power => "power",
            Self::Distortion | Self::Second | Self::Third => "distortion",
            Self::Gain => "gain",
            Self::PeakOutput => "peak output",
            Self::DirectVolts => "direct volts",
        }
    }

    /// Unit of the differences.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Distortion => "points",
            Self::Second | Self::Third => "dB",
            _ => "%",
        }
    }
}

/// A figure of a row beside ours.
#[derive(Clone, Debug)]
pub struct Figure {
    /// Which.
    pub quantity: Quantity,
    /// As printed.
    pub published: f64,
    /// Of the program; none when it cannot be compared.
    pub ours: Option<f64>,
    /// Why it is no evidence, though compared, or why it is not compared.
    pub no_evidence: Option<&'static str>,
}

impl Figure {
    /// Per cent, points or dB, as [`Quantity::unit`] says; none when not compared.
    pub fn difference(&self) -> Option<f64> {
        let ours = self.ours?;
        Some(match self.quantity {
            Quantity::Distortion | Quantity::Second | Quantity::Third => ours - self.published,
            _ => 100.0 * (ours / self.published - 1.0),
        })
    }
}

/// How valves are used: rows of one use are taken together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Use {
    /// One triode.
    SingleTriode,
    /// Two triodes.
    PairTriode,
    /// One pentode or beam tetrode.
    SinglePentode,
    /// Two of these.
    PairPentode,
    /// Screens tied to anodes.
    Strapped,
    /// Screens on taps.
    UltraLinear,
    /// Driven into grid current, whatever the valves.
    Class2,
    /// A resistance-coupled triode.
    StageTriode,
    /// A resistance-coupled pentode.
    StagePentode,
    /// A rectifier with its filter.
    Rectifier,
}

/// All uses, in the order of the pages.
pub const USES: [Use; 10] = [
    Use::SingleTriode,
    Use::PairTriode,
    Use::SinglePentode,
    Use::PairPentode,
    Use::Strapped,
    Use::UltraLinear,
    Use::Class2,
    Use::StageTriode,
    Use::StagePentode,
    Use::Rectifier,
];

impl Use {
    /// As the pages call it.
    pub fn words(self) -> &'static str {
        match self {
            Self::SingleTriode => "single-ended triode",
            Self::PairTriode => "push-pull triode",
            Self::SinglePentode => "single-ended pentode or beam",
            Self::PairPentode => "push-pull pentode or beam",
            Self::Strapped => "strapped as a triode, class 1",
            Self::UltraLinear => "ultra-linear",
            Self::Class2 => "class 2",
            Self::StageTriode => "resistance-coupled triode",
            Self::StagePentode => "resistance-coupled pentode",
            Self::Rectifier => "rectifier",
        }
    }
}

/// A row after it has been run.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Type of its valves.
    pub valve: String,
    /// What tells it from others.
    pub label: String,
    /// Use of the valves.
    pub usage: Use,
    /// Figures in the order of [`Quantity`].
    pub figures: Vec<Figure>,
    /// Peak of the generator, V, and how it came about; none when no signal was asked for.
    pub drive: Option<(f64, How)>,
    /// The idle current is also a point the type was fitted to.
    pub idle_is_fitted: bool,
    /// Why all or part of it was not run.
    pub not_run: Option<String>,
    /// Where the row comes from.
    pub source: String,
    /// "page" or "memory".
    pub basis: String,
    /// "high", "medium" or "low".
    pub confidence: String,
    /// What its print says besides.
    pub note: String,
    /// Why it is counted apart; empty when it is not.
    pub doubt: String,
    /// Figures the doubt concerns, all when empty.
    pub doubted: Vec<String>,
}

impl Outcome {
    /// True when this figure is counted apart.
    pub fn is_doubted(&self, quantity: Quantity) -> bool {
        !self.doubt.is_empty()
            && (self.doubted.is_empty() || self.doubted.iter().any(|key| key == quantity.key()))
    }

    /// Difference of a figure that is evidence.
    pub fn difference(&self, quantity: Quantity) -> Option<f64> {
        self.figures
            .iter()
            .find(|figure| figure.quantity == quantity && figure.no_evidence.is_none())?
            .difference()
    }
}

/// How the drive of a row came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum How {
    /// Printed.
    Printed,
    /// Solved for the distortion, which is then no evidence.
    ForDistortion,
    /// The distortion was not reached within class 1: the bias.
    DistortionNotReached,
    /// Neither drive nor distortion printed: the bias.
    Bias,
    /// Class 2 without drive: solved for the power, which is then no evidence.
    ForPower,
    /// Solved for an output.
    ForOutput,
}

impl How {
    /// As the pages call it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Printed => "printed",
            Self::ForDistortion => "for the distortion",
            Self::DistortionNotReached => "bias, distortion not reached",
            Self::Bias => "the bias",
            Self::ForPower => "for the power",
            Self::ForOutput => "for the output",
        }
    }
}

/// Sizes of differences, ascending.
#[derive(Clone, Debug, Default)]
pub struct Spread(Vec<f64>);

impl Spread {
    /// Of all differences that `which` lets through.
    pub fn of<'a>(
        outcomes: impl IntoIterator<Item = &'a Outcome>,
        quantity: Quantity,
        which: impl Fn(&Outcome) -> bool,
    ) -> Self {
        outcomes
            .into_iter()
            .filter(|outcome| which(outcome))
            .filter_map(|outcome| outcome.difference(quantity))
            .collect()
    }

    /// How many.
    pub fn count(&self) -> usize {
        self.0.len()
    }

    /// The size that a share of the differences does not exceed: the smallest for which that is true, NaN of none.
    pub fn quantile(&self, share: f64) -> f64 {
        let count = self.0.len();
        let rank = (share * count as f64).ceil() as usize;
        match count {
            0 => f64::NAN,
            _ => self.0[rank.clamp(1, count) - 1],
        }
    }

    /// The middle one; the mean of the two middle ones of an even number; NaN of none.
    pub fn median(&self) -> f64 {
        let middle = self.0.len() / 2;
        match self.0.len() {
            0 => f64::NAN,
            n if n % 2 == 1 => self.0[middle],
            _ => 0.5 * (self.0[middle - 1] + self.0[middle]),
        }
    }

    /// The largest; NaN of none.
    pub fn worst(&self) -> f64 {
        self.0.last().copied().unwrap_or(f64::NAN)
    }
}

impl FromIterator<f64> for Spread {
    /// Of differences in any order, of either sign.
    fn from_iter<T: IntoIterator<Item = f64>>(differences: T) -> Self {
        let mut sizes: Vec<f64> = differences.into_iter().map(f64::abs).collect();
        sizes.sort_by(f64::total_cmp);
        Self(sizes)
    }
}
