//! What is asked of a type: connection, grid volts, load.

use measure::driven::curves::{Bias, Coupling, LoadLineOf, PairOf, ScreenVolts, round_step};
use models::data::ValveType;
use models::working_point::Joined;
use sim::quantity::{Quantity, Unit};

use super::has_screen;
use crate::argument::quantity;
use crate::diagnostic::Id;
use crate::failure::Failure;

/// Arguments about a type.
#[derive(Debug, clap::Args)]
pub(super) struct OfType {
    /// The screen tied to the anode.
    #[arg(long, conflicts_with_all = ["tap", "screen"])]
    strapped: bool,
    /// The screen on a tap of the anode's winding, per cent of its turns from the supply.
    #[arg(
        long,
        value_name = "PERCENT",
        conflicts_with = "screen",
        requires = "supply"
    )]
    tap: Option<String>,
    /// Screen volts against the cathode; without it those of the type's usual working point.
    #[arg(long, value_name = "VOLTS")]
    screen: Option<String>,
    /// Grid volts of the curves: a list such as 0V,-5V,-10V, or "0V to -60V in 10V".
    #[arg(long, value_name = "VOLTS", allow_hyphen_values = true)]
    grid: Option<String>,
    /// Greatest anode volts; without it somewhat beyond the limit.
    #[arg(long, value_name = "VOLTS")]
    anode_to: Option<String>,
    /// Volts of the anode's supply, for a load line, a pair or a tap.
    #[arg(long, visible_alias = "anode-supply", value_name = "VOLTS")]
    supply: Option<String>,
    /// Resistance of the load; of a pair, from anode to anode.
    #[arg(long, value_name = "OHMS", requires = "supply")]
    load: Option<String>,
    /// The load is joined by a transformer: the anode rests at the supply.
    #[arg(long, requires = "load", conflicts_with = "pair")]
    transformer: bool,
    /// Two valves in push-pull: their composite characteristic.
    #[arg(long, requires = "load")]
    pair: bool,
    /// Grid volts at rest, against the cathode.
    #[arg(
        long,
        value_name = "VOLTS",
        allow_hyphen_values = true,
        requires = "load"
    )]
    bias: Option<String>,
    /// The resistor in the cathode that makes the bias, bypassed.
    #[arg(long, value_name = "OHMS", requires = "load", conflicts_with_all = ["bias", "pair"])]
    cathode_resistor: Option<String>,
    /// Peak volts of a sine on each grid; without it up to the volts of the cathode.
    #[arg(long, value_name = "VOLTS", requires = "load")]
    swing: Option<String>,
}

impl OfType {
    /// The first of them that is given.
    pub(super) fn first(&self) -> Option<&'static str> {
        [
            ("--strapped", self.strapped),
            ("--tap", self.tap.is_some()),
            ("--screen", self.screen.is_some()),
            ("--grid", self.grid.is_some()),
            ("--anode-to", self.anode_to.is_some()),
            ("--supply", self.supply.is_some()),
            ("--load", self.load.is_some()),
        ]
        .into_iter()
        .find_map(|(name, given)| given.then_some(name))
    }
}

/// What is asked of a type, read.
#[derive(Debug)]
pub(super) struct Settings {
    pub(super) screen: ScreenVolts,
    pub(super) grid: Option<Vec<f64>>,
    pub(super) anode_to: Option<f64>,
    pub(super) supply: Option<f64>,
    load: Option<Load>,
    swing: Option<f64>,
}

#[derive(Debug)]
struct Load {
    ohms: f64,
    coupling: Coupling,
    pair: bool,
    bias: Bias,
}

/// Curves that can be told apart.
const MOST_CURVES: usize = 40;

/// Screen volts where neither a point nor a limit tells any, V. Common practice, no source.
const USUAL_SCREEN: f64 = 250.0;

impl Settings {
    pub(super) fn read(given: &OfType, valve: &ValveType) -> Result<Self, Failure> {
        let above_zero = f64::MIN_POSITIVE;
        let volts = |name: &str, text: &Option<String>| {
            let read = |text: &String| quantity(name, text, Unit::Volt, above_zero);
            text.as_ref().map(read).transpose()
        };
        let ohms = |name: &str, text: &Option<String>| {
            let read = |text: &String| quantity(name, text, Unit::Ohm, above_zero);
            text.as_ref().map(read).transpose()
        };
        if !has_screen(valve) && (given.strapped || given.tap.is_some() || given.screen.is_some()) {
            return Err(Failure::plain(
                Id::CannotAsk,
                format!("{} is a triode: it has no screen", valve.name),
                "leave out --strapped, --tap and --screen",
            ));
        }
        let supply = volts("--supply", &given.supply)?;
        let screen = match (&given.tap, volts("--screen", &given.screen)?, supply) {
            (Some(text), _, Some(supply)) => {
                let share = quantity("--tap", text, Unit::Percent, above_zero)?;
                if share >= 1.0 {
                    return Err(Failure::plain(
                        Id::OutOfBounds,
                        format!("--tap {text} is the whole winding or more"),
                        "give the turns between supply and screen, e.g. 43%; the whole is --strapped",
                    ));
                }
                ScreenVolts::tapped(share, supply)
            }
            _ if given.strapped => ScreenVolts::STRAPPED,
            (_, Some(volts), _) => ScreenVolts::fixed(volts),
            _ => ScreenVolts::fixed(usual_screen(valve)),
        };
        let load = match ohms("--load", &given.load)? {
            Some(load) => Some(Load {
                ohms: load,
                coupling: if given.transformer {
                    Coupling::Transformer
                } else {
                    Coupling::Resistor
                },
                pair: given.pair,
                bias: bias(given, ohms("--cathode-resistor", &given.cathode_resistor)?)?,
            }),
            None => None,
        };
        Ok(Self {
            screen,
            grid: given.grid.as_deref().map(grid).transpose()?,
            anode_to: volts("--anode-to", &given.anode_to)?,
            supply,
            load,
            swing: volts("--swing", &given.swing)?,
        })
    }

    /// The load line of one valve, if that is asked for.
    pub(super) fn load_line(&self) -> Option<LoadLineOf> {
        let load = self.load.as_ref().filter(|load| !load.pair)?;
        Some(LoadLineOf {
            supply: self.supply?,
            ohms: load.ohms,
            coupling: load.coupling,
            bias: load.bias,
            swing: self.swing,
        })
    }

    /// The composite characteristic, if that is asked for.
    pub(super) fn pair(&self) -> Option<PairOf> {
        let load = self.load.as_ref().filter(|load| load.pair)?;
        let Bias::Grid(bias) = load.bias else {
            return None;
        };
        Some(PairOf {
            supply: self.supply?,
            ohms: load.ohms,
            bias,
            swing: self.swing,
        })
    }

    /// Drives of the composite curves, V, rising: the whole swing either way and round steps within it.
    pub(super) fn drives(&self) -> Vec<f64> {
        /// Steps up to the whole swing, about.
        const STEPS: f64 = 4.0;
        /// The last round step keeps that far from the whole, of a step.
        const APART: f64 = 0.3;
        let Some(pair) = self.pair() else {
            return Vec::new();
        };
        let whole = pair.swing.unwrap_or(-pair.bias);
        if whole <= 0.0 {
            return vec![0.0];
        }
        let step = round_step(whole / (STEPS + 1.0));
        let count = (whole / step - APART).floor().max(0.0) as i32;
        let round = (-count..=count).map(|k| step * f64::from(k));
        std::iter::once(-whole)
            .chain(round)
            .chain([whole])
            .collect()
    }
}

fn bias(given: &OfType, cathode_resistor: Option<f64>) -> Result<Bias, Failure> {
    if let Some(ohms) = cathode_resistor {
        return Ok(Bias::Cathode(ohms));
    }
    let Some(text) = &given.bias else {
        return Err(Failure::plain(
            Id::CannotAsk,
            "a load line needs a bias",
            if given.pair {
                "give --bias, e.g. --bias -22V"
            } else {
                "give --bias, e.g. --bias -8V, or --cathode-resistor, e.g. 150R"
            },
        ));
    };
    let volts = quantity("--bias", text, Unit::Volt, f64::NEG_INFINITY)?;
    if volts > 0.0 {
        return Err(Failure::plain(
            Id::OutOfBounds,
            format!("--bias {text} puts the grid above the cathode"),
            format!("write --bias -{}", text.trim()),
        ));
    }
    Ok(Bias::Grid(volts))
}

/// Screen volts of the type's usual working point, V.
fn usual_screen(valve: &ValveType) -> f64 {
    let typical = Joined::normal(valve).typical();
    let point = typical.and_then(|point| point.v_sk);
    point.or(valve.limits.screen_volts).unwrap_or(USUAL_SCREEN)
}

/// "0V,-5V,-10V" or "0V to -60V in 10V", as grid volts falling.
fn grid(text: &str) -> Result<Vec<f64>, Failure> {
    let volts = |text: &str| {
        Quantity::parse(text, Unit::Volt)
            .map_err(|error| Failure::plain(Id::BadValue, format!("--grid {text}: {error}"), FORM))
    };
    let mut list = match text.split_once(" to ") {
        Some((first, rest)) => {
            let (last, step) = rest.split_once(" in ").ok_or_else(|| {
                Failure::plain(Id::BadValue, format!("--grid {text} has no step"), FORM)
            })?;
            let (first, last, step) = (volts(first)?, volts(last)?, volts(step)?.abs());
            // A hair of room, so that rounding does not lose the last.
            let count = ((first - last).abs() / step + 1e-9).floor();
            // No step at all gives no count
            if count.is_nan() || count >= MOST_CURVES as f64 {
                return Err(many(text));
            }
            let way = (last - first).signum();
            (0..=count as u32)
                .map(|k| first + way * step * f64::from(k))
                .collect()
        }
        None => text
            .split(',')
            .map(volts)
            .collect::<Result<Vec<f64>, Failure>>()?,
    };
    if list.len() > MOST_CURVES {
        return Err(many(text));
    }
    list.sort_by(|a, b| b.total_cmp(a));
    list.dedup();
    Ok(list)
}

fn many(text: &str) -> Failure {
    Failure::plain(
        Id::OutOfBounds,
        format!("--grid {text} makes more than {MOST_CURVES} curves"),
        FORM,
    )
}

/// How grid volts are written.
const FORM: &str = "write e.g. --grid 0V,-5V,-10V or --grid \"0V to -60V in 10V\"";

#[cfg(test)]
mod tests {
    use super::grid;

    #[test]
    fn grid_volts_are_a_list_or_a_range() {
        assert_eq!(grid("-5V,0V, -10V").expect("a list"), [0.0, -5.0, -10.0]);
        assert_eq!(
            grid("0V to -30V in 10V").expect("a range"),
            [0.0, -10.0, -20.0, -30.0]
        );
        assert_eq!(
            grid("-2V to 1V in 1V").expect("a range"),
            [1.0, 0.0, -1.0, -2.0]
        );
        for wrong in [
            "0V to -30V",
            "0V to -30V in 0V",
            "0V to -300V in 1V",
            "5mA",
            "",
        ] {
            assert!(grid(wrong).is_err(), "{wrong}");
        }
    }
}
