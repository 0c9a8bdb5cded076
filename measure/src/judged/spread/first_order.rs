//! Each value moved by itself: what it does to a figure, the sum of all, and the corners it leads to.

use super::answer::{Share, Stand};
use crate::instruments::varied::Varied;

/// What one value does to a figure.
#[derive(Clone, Copy, Debug)]
pub(super) struct Effect {
    /// Change by one standard uncertainty; none when the figure is missing on a side.
    change: Option<f64>,
    /// Change with the value at its low and at its high end, to first order.
    ends: (f64, f64),
    /// Where it stands for the least and for the greatest figure.
    stands: (Stand, Stand),
}

impl Effect {
    /// From the figure as drawn and with the value one standard uncertainty down and up.
    pub(super) fn new(
        drawn: Option<f64>,
        down: Option<f64>,
        up: Option<f64>,
        varied: &Varied,
    ) -> Self {
        let (_, uncertainty) = varied.rectangular();
        let change = down.zip(up).map(|(down, up)| 0.5 * (up - down));
        let slope = change.map_or(0.0, |change| change / uncertainty);
        // A figure that has its least or greatest as drawn, such as a harmonic that balance cancels, keeps
        // the value there. What is missing leads nowhere.
        let mut least = (drawn.unwrap_or(f64::INFINITY), Stand::Drawn);
        let mut greatest = (drawn.unwrap_or(f64::NEG_INFINITY), Stand::Drawn);
        for (figure, stand) in [(down, Stand::Low), (up, Stand::High)] {
            let Some(figure) = figure else { continue };
            if figure < least.0 {
                least = (figure, stand);
            }
            if figure > greatest.0 {
                greatest = (figure, stand);
            }
        }
        Self {
            change,
            ends: (slope * (varied.low - 1.0), slope * (varied.high - 1.0)),
            stands: (least.1, greatest.1),
        }
    }

    fn stand(&self, high: bool) -> Stand {
        if high { self.stands.1 } else { self.stands.0 }
    }
}

/// All values of one figure.
#[derive(Clone, Debug)]
pub(super) struct FirstOrder {
    drawn: Option<f64>,
    effects: Vec<Effect>,
}

impl FirstOrder {
    /// `effects` stand in the order of the values.
    pub(super) fn new(drawn: Option<f64>, effects: Vec<Effect>) -> Self {
        Self { drawn, effects }
    }

    /// Root of the sum of squares; none when nothing could be moved.
    pub(super) fn deviation(&self) -> Option<f64> {
        let mut changes = self
            .effects
            .iter()
            .filter_map(|effect| effect.change)
            .peekable();
        changes.peek()?;
        Some(changes.map(|change| change * change).sum::<f64>().sqrt())
    }

    /// Where all values stand for the lowest or the highest figure.
    pub(super) fn stands(&self, high: bool) -> Vec<Stand> {
        let effects = self.effects.iter();
        effects.map(|effect| effect.stand(high)).collect()
    }

    /// The figure there to first order.
    pub(super) fn corner_sum(&self, high: bool) -> Option<f64> {
        let effects = self.effects.iter();
        let sum: f64 = effects
            .map(|effect| match (effect.ends, high) {
                ((low, up), true) => low.max(up).max(0.0),
                ((low, up), false) => low.min(up).min(0.0),
            })
            .sum();
        self.drawn.map(|drawn| drawn + sum)
    }

    /// What each value has in the variance, the greatest first; `corners` are the lowest and the highest.
    pub(super) fn shares(
        &self,
        name: impl Fn(&Varied) -> String,
        varied: &[Varied],
        [lowest, highest]: [&[Stand]; 2],
    ) -> Vec<Share> {
        let variance = self.deviation().map_or(0.0, |deviation| deviation.powi(2));
        let stands = lowest.iter().zip(highest);
        let effects = self.effects.iter().zip(varied).zip(stands);
        let mut shares: Vec<Share> = effects
            .map(|((effect, varied), (in_lowest, in_highest))| Share {
                part: name(varied),
                quantity: varied.quantity.words(),
                low: varied.low,
                high: varied.high,
                stated: varied.stated,
                change: effect.change,
                share: effect
                    .change
                    .filter(|_| variance > 0.0)
                    .map(|change| change * change / variance),
                in_lowest: *in_lowest,
                in_highest: *in_highest,
            })
            .collect();
        let size = |share: &Share| share.share.unwrap_or(-1.0);
        shares.sort_by(|a, b| size(b).total_cmp(&size(a)));
        shares
    }
}
