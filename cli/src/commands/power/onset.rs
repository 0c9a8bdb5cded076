//! What gives up first, in words: the onsets of the sweep gathered by cause.

use measure::driven::power::{CLASS_A, Cause, Limit, Output, Power, Role};
use sim::quantity::{Unit, engineering};

use crate::report::table::percent;

/// Onsets of one cause closer than this ratio of drive are told as one: the two valves of a pair. They
/// are read between levels 1.25 dB apart, which is good to a few per cent.
const TOGETHER: f64 = 1.03;

/// Parts to which the same happens together.
#[derive(Debug)]
pub(in crate::commands) struct Onset<'a> {
    parts: Vec<&'a str>,
    first: &'a Limit,
}

/// The onsets in rising drive.
pub(in crate::commands) fn onsets(limits: &[Limit]) -> Vec<Onset<'_>> {
    let mut found: Vec<Onset<'_>> = Vec::new();
    for limit in limits {
        let same = found.iter_mut().find(|onset| {
            (onset.first.role, onset.first.cause) == (limit.role, limit.cause)
                && limit.drive <= TOGETHER * onset.first.drive
        });
        match same {
            Some(onset) => onset.parts.push(&limit.part),
            None => found.push(Onset {
                parts: vec![&limit.part],
                first: limit,
            }),
        }
    }
    for onset in &mut found {
        onset.parts.sort_unstable();
    }
    found
}

impl Onset<'_> {
    /// Power where it sets in, W.
    pub(in crate::commands) fn power(&self) -> f64 {
        self.first.power
    }

    /// Who and what, e.g. "V3 and V4 (output valves) draw grid current"; of a stage that gives volts there are no
    /// drivers.
    pub(in crate::commands) fn words(&self, of: &Power) -> String {
        let names = match self.parts.split_last() {
            Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
            _ => self.first.part.clone(),
        };
        let several = self.parts.len() > 1;
        let choose = |one, many| if several { many } else { one };
        let role = match self.first.role {
            Role::Output => choose("output valve", "output valves"),
            Role::Driver if of.in_volts => choose("valve", "valves"),
            Role::Driver => choose("driver", "drivers"),
            Role::Iron => choose("core", "cores"),
        };
        let what = match self.first.cause {
            Cause::GridCurrent => choose("draws grid current", "draw grid current"),
            Cause::CutOff => choose("cuts off", "cut off"),
            Cause::ClassAb => choose(
                "cuts off: class A becomes AB",
                "cut off in turn: class A becomes AB",
            ),
            Cause::Knee => choose("runs into its knee", "run into their knees"),
            Cause::Saturation => choose("saturates", "saturate"),
        };
        format!("{names} ({role}) {what}")
    }
}

/// An output of so many watts as it is told: in watts, or in volts rms of a stage that gives no power.
pub(in crate::commands) fn output(answer: &Power, watts: f64) -> String {
    match answer.output(watts) {
        Output::Watts(watts) => engineering(watts, Unit::Watt),
        Output::Volts(volts) => format!("{} rms", engineering(volts, Unit::Volt)),
    }
}

/// The lines under the headline: what gives up first, and how far class A reaches.
pub(super) fn text(answer: &Power) -> String {
    let onsets = onsets(&answer.limits);
    let (class, clipping): (Vec<_>, Vec<_>) = onsets
        .iter()
        .partition(|onset| onset.first.cause == Cause::ClassAb);
    // What is so at the least level of the sweep may have been so at any.
    let from = |limit: &Limit| {
        let least = answer
            .levels
            .first()
            .is_some_and(|level| limit.drive <= level.drive);
        (!least).then(|| output(answer, limit.power))
    };
    let mut text = match clipping.first() {
        Some(onset) => {
            let place = from(onset.first).map_or_else(
                || "at every level of the sweep".to_owned(),
                |watts| format!("from {watts}"),
            );
            let beyond = answer
                .rated
                .as_ref()
                .is_some_and(|rated| onset.first.drive > rated.drive);
            let beyond = if beyond { ", beyond the limit set" } else { "" };
            format!(
                "First to give up: {} {place}{beyond}.\n",
                onset.words(answer)
            )
        }
        // The bursts have a line of their own.
        None if answer.bursting.is_some() => String::new(),
        None if answer.rated.is_some() => {
            "Nothing gives up inside the sweep: distortion alone limits.\n".to_owned()
        }
        None => "Nothing gives up inside the sweep.\n".to_owned(),
    };
    if let Some(onset) = class.first() {
        text += &from(onset.first).map_or_else(
            || "Class AB at every level of the sweep".to_owned(),
            |watts| format!("Class A up to {watts}, then AB"),
        );
        text += &format!(
            ": a valve counts as cut off below {} of its mean current\n  at that output at any moment of the cycle (common practice, no source).\n",
            percent(CLASS_A)
        );
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::commands::power::unfinished;
    use crate::failure::Failure;
    use measure::driven::power::Level;

    fn level(drive: f64) -> Level {
        Level {
            peak: None,
            drive,
            drive_rms: drive / std::f64::consts::SQRT_2,
            output_rms: 0.0,
            power: 0.0,
            thd: 0.0,
            harmonics: Vec::new(),
            valves: Vec::new(),
            cores: Vec::new(),
            cycles: 0,
            residual: 0.0,
            forced: 0.0,
            at_means: false,
            approach: sim::periodic::Approach::Shooting,
        }
    }

    fn power(rated: Option<f64>, limits: &[(&str, Role, Cause, f64)]) -> Power {
        let limits = limits.iter().map(|&(part, role, cause, drive)| Limit {
            part: part.to_owned(),
            role,
            cause,
            drive,
            power: 100.0 * drive * drive,
        });
        Power {
            frequency: 1e3,
            load_ohms: 8.0,
            in_volts: false,
            mains_period: None,
            distortion_limit: 0.05,
            levels: vec![level(0.01), level(1.0)],
            one_watt: None,
            rated: rated.map(level),
            at_distortion: Vec::new(),
            greatest: 0.0,
            limits: limits.collect(),
            output_valves: Vec::new(),
            passages: Vec::new(),
            at_output: Vec::new(),
            crossover: None,
            bursting: None,
            ended_early: None,
            residual: 0.0,
            silent: false,
        }
    }

    #[test]
    fn leaving_class_a_is_no_clipping_and_a_pair_is_told_as_one() {
        use Cause::{ClassAb, GridCurrent, Knee};
        use Role::{Driver, Output};
        let answer = power(
            Some(0.5),
            &[
                ("V3", Output, ClassAb, 0.2),
                ("V4", Output, ClassAb, 0.201),
                ("V2b", Driver, GridCurrent, 0.3),
                ("V2a", Driver, GridCurrent, 0.308),
                ("V1", Driver, GridCurrent, 0.4),
                ("V3", Output, Knee, 0.45),
            ],
        );
        assert_eq!(
            text(&answer),
            "First to give up: V2a and V2b (drivers) draw grid current from 9.00 W.\nClass A up to 4.00 W, then AB: a valve counts as cut off below 10.0 % of its mean current\n  at that output at any moment of the cycle (common practice, no source).\n"
        );
        assert_eq!(onsets(&answer.limits).len(), 4);
    }

    #[test]
    fn a_sweep_that_ends_before_the_limit_has_no_answer_to_it() {
        let ended = |rated| Power {
            ended_early: Some("at 2.00 V peak of drive no cycle was found".to_owned()),
            ..power(rated, &[])
        };
        let failure = unfinished(&ended(None)).expect_err("the limit was not reached");
        let Failure::NoAnswer(said) = failure else {
            panic!("{failure:?}");
        };
        assert!(said.message.contains("at 2.00 V peak of drive"), "{said:?}");
        // What cannot be solved beyond the limit takes nothing from it; nor is a limit missed that was never met.
        assert!(unfinished(&ended(Some(0.5))).is_ok());
        assert!(unfinished(&power(None, &[])).is_ok());
    }

    #[test]
    fn what_happens_beyond_the_limit_or_nowhere_is_said_so() {
        let iron = [("T1", Role::Iron, Cause::Saturation, 0.6)];
        assert_eq!(
            text(&power(Some(0.5), &iron)),
            "First to give up: T1 (core) saturates from 36.0 W, beyond the limit set.\n"
        );
        let always = [("V1", Role::Driver, Cause::GridCurrent, 0.01)];
        assert_eq!(
            text(&power(None, &always)),
            "First to give up: V1 (driver) draws grid current at every level of the sweep.\n"
        );
        assert_eq!(
            text(&power(Some(0.5), &[])),
            "Nothing gives up inside the sweep: distortion alone limits.\n"
        );
        assert_eq!(
            text(&power(None, &[])),
            "Nothing gives up inside the sweep.\n"
        );
    }
}
