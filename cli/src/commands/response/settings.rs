//! The settings of controls a response is asked for: every position of a switch, every step of a value, and
//! every combination of them.

use serde::Serialize;
use sim::amplifier::Amplifier;

use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::report::log_plot::MOST_CURVES;

/// A part and what it is set to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub(super) struct Setting {
    pub(super) part: String,
    pub(super) value: String,
}

/// One combination of settings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Case {
    pub(super) settings: Vec<Setting>,
}

impl Case {
    /// As `--set` would have it.
    pub(super) fn set(&self) -> Vec<(String, String)> {
        let settings = self.settings.iter();
        settings
            .map(|setting| (setting.part.clone(), setting.value.clone()))
            .collect()
    }

    /// In words: S1=bright, VR1=25%.
    pub(super) fn name(&self) -> String {
        let words: Vec<String> = self
            .settings
            .iter()
            .map(|setting| format!("{}={}", setting.part, setting.value))
            .collect();
        words.join(", ")
    }
}

/// Every combination of `--each` and `--steps`, the last varying fastest; one case without settings when
/// neither is given. Each case draws a curve for every output.
pub(super) fn cases(
    amplifier: &Amplifier,
    each: &[String],
    steps: &[String],
    outputs: usize,
) -> Result<Vec<Case>, Failure> {
    let mut choices: Vec<(String, Vec<String>)> = Vec::new();
    for switch in each {
        choices.push((switch.clone(), positions(amplifier, switch)?));
    }
    for argument in steps {
        choices.push(values(argument)?);
    }
    for (k, (part, _)) in choices.iter().enumerate() {
        if choices[..k].iter().any(|(other, _)| other == part) {
            return Err(Failure::plain(
                Id::WrongForm,
                format!("{part} is stepped twice"),
                format!("list all its values once, e.g. --steps {part}=…,…"),
            ));
        }
    }
    let factors = choices.iter().map(|(_, values)| values.len());
    let curves = factors
        .chain([outputs])
        .try_fold(1_usize, usize::checked_mul)
        .unwrap_or(usize::MAX);
    if curves > MOST_CURVES {
        let counted: Vec<String> = choices
            .iter()
            .map(|(part, values)| format!("{} of {part}", values.len()))
            .chain((outputs > 1).then(|| format!("{outputs} nodes")))
            .collect();
        return Err(Failure::plain(
            Id::OutOfBounds,
            format!(
                "{} make {curves} curves, and more than {MOST_CURVES} cannot be told apart",
                counted.join(" times ")
            ),
            "step fewer parts at a time, or hold some with --set",
        ));
    }
    let mut cases = vec![Case::default()];
    for (part, values) in &choices {
        let grown = cases.iter().flat_map(|case| {
            values.iter().map(move |value| {
                let mut case = case.clone();
                case.settings.push(Setting {
                    part: part.clone(),
                    value: value.clone(),
                });
                case
            })
        });
        cases = grown.collect();
    }
    Ok(cases)
}

fn positions(amplifier: &Amplifier, switch: &str) -> Result<Vec<String>, Failure> {
    match amplifier.positions_of(switch) {
        Some(positions) if !positions.is_empty() => {
            Ok(positions.into_iter().map(str::to_owned).collect())
        }
        _ => {
            let names: Vec<&str> = amplifier.positions.keys().map(String::as_str).collect();
            let help = if names.is_empty() {
                format!("this amplifier has no switch; for values: --steps {switch}=…,…")
            } else {
                format!("the switches are {}", names.join(", "))
            };
            let message = format!("--each {switch}: there is no such switch");
            Err(Failure::plain(Id::UnknownPart, message, help))
        }
    }
}

/// Splits PART=VALUE,VALUE.
fn values(argument: &str) -> Result<(String, Vec<String>), Failure> {
    let read = argument.split_once('=').and_then(|(part, values)| {
        let values: Vec<String> = values.split(',').map(|v| v.trim().to_owned()).collect();
        let good = !part.trim().is_empty() && values.iter().all(|value| !value.is_empty());
        good.then(|| (part.trim().to_owned(), values))
    });
    read.ok_or_else(|| {
        Failure::plain(
            Id::WrongForm,
            format!("--steps {argument} cannot be read"),
            "write a part and its values, e.g. --steps VR1=0%,50%,100%",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::{Case, cases, values};

    const AMPLIFIER: &str = r#"[amplifier]
title = "Two ganged switches"
source = "own design"
[parts]
R1 = { resistor = "1k", between = ["in", "a"] }
R2 = { resistor = "1k", between = ["a", "chassis"] }
S1a = { switch = "low", common = "a", positions = { low = "in", high = [], mid = [] } }
S1b = { switch = "low", common = "in", positions = { high = "a", low = [] } }
[bench]
generator = { into = "in", resistance = "600R" }
load = "R2"
"#;

    fn names(each: &[&str], steps: &[&str], outputs: usize) -> Result<Vec<String>, ()> {
        let owned = |list: &[&str]| list.iter().map(|v| (*v).to_owned()).collect::<Vec<_>>();
        let amplifier = sheet::read(AMPLIFIER, &[]).expect("well formed");
        let cases = cases(&amplifier, &owned(each), &owned(steps), outputs).map_err(|_| ())?;
        Ok(cases.iter().map(Case::name).collect())
    }

    #[test]
    fn settings_are_combined_in_order() {
        assert_eq!(names(&[], &[], 2), Ok(vec![String::new()]));
        let wanted = [
            "S1=low, R1=1k",
            "S1=low, R1=2k2",
            "S1=high, R1=1k",
            "S1=high, R1=2k2",
        ];
        let all = names(&["S1"], &["R1=1k, 2k2"], 1).expect("few enough");
        assert_eq!(all, wanted, "only positions both sections have");
        let one = names(&["S1a"], &[], 1).expect("few enough");
        assert_eq!(one, ["S1a=low", "S1a=high", "S1a=mid"]);
    }

    #[test]
    fn what_cannot_be_combined_is_refused() {
        assert!(names(&["R1"], &[], 1).is_err(), "no switch");
        assert!(names(&["S1"], &["S1=low"], 1).is_err(), "twice");
        assert!(names(&[], &["R1=1,2,3,4,5,6,7,8"], 2).is_err(), "16 curves");
        assert!(names(&[], &["R1=1,2,3,4,5,6,7"], 2).is_ok(), "14 curves");
        for wrong in ["R1", "R1=", "=1k", "R1=1k,,2k", "R1=1k,"] {
            assert!(values(wrong).is_err(), "{wrong}");
        }
    }
}
