//! Every row run and set beside its print.

use measure::driven::power::Level;
use models::data::Connection;
use models::library;
use rayon::prelude::*;
use sim::SimError;

use super::bench::{Bench, Valves, currents};
use super::circuit;
use super::outcome::{Figure, How, Outcome, Quantity, Use};
use super::rows::{self, Amplifier, Stage};

/// Greatest grid current at which it counts as setting in, A.
///
/// OWN DEFINITION, from no sheet: 0.3 µA through the 1 MΩ of a usual grid leak is 0.3 V, which moves the bias.
pub const GRID_CURRENT_SETS_IN: f64 = 0.3e-6;

/// Output at which the tables print the gain of a stage where they print no other, V rms.
const GAIN_AT: f64 = 5.0;

/// All amplifier and stage rows, with `valves` in the place of the library's where it has them.
///
/// ```no_run
/// use checks::published::outcome::{Quantity, Spread};
/// let outcomes = checks::published::score::score(&|_name| None);
/// let power = Spread::of(&outcomes, Quantity::Power, |row| row.confidence == "high");
/// println!("{} %, {} rows", power.median(), power.count());
/// ```
pub fn score(valves: &Valves<'_>) -> Vec<Outcome> {
    let amplifiers = rows::amplifiers();
    let stages = rows::stages();
    let mut outcomes: Vec<Outcome> = amplifiers
        .par_iter()
        .map(|row| amplifier(row, valves))
        .collect();
    outcomes.par_extend(stages.par_iter().map(|row| stage(row, valves)));
    outcomes
}

/// One amplifier row.
pub fn amplifier(row: &Amplifier, valves: &Valves<'_>) -> Outcome {
    let mut outcome = Outcome {
        valve: row.r#type.clone(),
        label: row.label(),
        usage: usage(row),
        figures: printed(row),
        drive: None,
        idle_is_fitted: idle_is_fitted(row),
        not_run: None,
        source: row.source.clone(),
        basis: row.basis.clone(),
        confidence: row.confidence.clone(),
        note: row.note.clone(),
        doubt: row.doubt.clone(),
        doubted: row.doubted.clone(),
    };
    run(
        &mut outcome,
        circuit::amplifier(row),
        valves,
        |bench, outcome| ask(row, bench, outcome),
    );
    outcome
}

/// Puts the circuit of a row on the bench and asks it, or says in the outcome why not.
fn run(
    outcome: &mut Outcome,
    text: Result<String, String>,
    valves: &Valves<'_>,
    ask: impl FnOnce(&Bench, &mut Outcome) -> Result<(), SimError>,
) {
    let text = match library::find(&outcome.valve) {
        Ok(_) => text,
        Err(_) => Err("the program does not have this type".to_owned()),
    };
    let answer = text.and_then(|text| {
        let bench = Bench::of(&text, valves);
        ask(&bench, outcome).map_err(|error| error.to_string())
    });
    if let Err(why) = answer {
        outcome.not_run = Some(why);
    }
}

fn usage(row: &Amplifier) -> Use {
    match row.connection.as_str() {
        _ if row.is_class_2() => Use::Class2,
        "triode" if row.is_pair() => Use::PairTriode,
        "triode" => Use::SingleTriode,
        "triode-connected" => Use::Strapped,
        "ultra-linear" => Use::UltraLinear,
        "pentode" | "tetrode" if row.is_pair() => Use::PairPentode,
        "pentode" | "tetrode" => Use::SinglePentode,
        other => panic!("connection {other}"),
    }
}

fn figures(table: &[(Quantity, Option<f64>)]) -> Vec<Figure> {
    table
        .iter()
        .filter_map(|&(quantity, published)| {
            Some(Figure {
                quantity,
                published: published?,
                ours: None,
                no_evidence: None,
            })
        })
        .collect()
}

fn printed(row: &Amplifier) -> Vec<Figure> {
    let second = row
        .h2_db_below
        .or_else(|| Some(-20.0 * (row.h2_percent? / 100.0).log10()));
    figures(&[
        (Quantity::Idle, row.ia_zero_ma.or(row.ik_zero_ma)),
        (Quantity::IdleScreen, row.ig2_zero_ma),
        (Quantity::Full, row.ia_max_ma.or(row.ik_max_ma)),
        (Quantity::FullScreen, row.ig2_max_ma),
        (Quantity::Power, row.power_w),
        (Quantity::Distortion, row.distortion()),
        (Quantity::Second, second),
        (Quantity::Third, row.h3_db_below),
    ])
}

fn set(outcome: &mut Outcome, quantity: Quantity, ours: f64) {
    if let Some(figure) = find(outcome, quantity) {
        figure.ours = Some(ours);
    }
}

fn find(outcome: &mut Outcome, quantity: Quantity) -> Option<&mut Figure> {
    outcome
        .figures
        .iter_mut()
        .find(|figure| figure.quantity == quantity)
}

fn no_evidence(outcome: &mut Outcome, quantity: Quantity, why: &'static str) {
    if let Some(figure) = find(outcome, quantity) {
        figure.no_evidence = Some(why);
    }
}

fn ask(row: &Amplifier, bench: &Bench, outcome: &mut Outcome) -> Result<(), SimError> {
    // The tables give one figure for anode and screen where these are tied, and where they say ik.
    let screens = f64::from(u8::from(row.is_strapped() || row.ia_zero_ma.is_none()));
    let idle = bench.idle()?;
    set(
        outcome,
        Quantity::Idle,
        1e3 * (idle.anodes + screens * idle.screens),
    );
    set(outcome, Quantity::IdleScreen, 1e3 * idle.screens);
    if row.load_ohm.is_none() || row.power_w.is_none() {
        outcome.not_run = Some("no load or no power printed: idle only".to_owned());
        return Ok(());
    }
    let (level, how) = level(row, bench)?;
    let full = currents(&level);
    set(
        outcome,
        Quantity::Full,
        1e3 * (full.anodes + screens * full.screens),
    );
    set(outcome, Quantity::FullScreen, 1e3 * full.screens);
    set(outcome, Quantity::Power, level.power);
    set(outcome, Quantity::Distortion, 100.0 * level.thd);
    set(
        outcome,
        Quantity::Second,
        -20.0 * level.harmonics[0].log10(),
    );
    set(outcome, Quantity::Third, -20.0 * level.harmonics[1].log10());
    match how {
        How::ForDistortion => {
            no_evidence(outcome, Quantity::Distortion, "the drive was solved for it");
        }
        How::ForPower => no_evidence(outcome, Quantity::Power, "the drive was solved for it"),
        _ => {}
    }
    outcome.drive = Some((level.drive, how));
    Ok(())
}

/// The drive of a row: printed; else for the printed distortion up to the bias; else the bias.
fn level(row: &Amplifier, bench: &Bench) -> Result<(Level, How), SimError> {
    /// Class 2 without a printed drive is sought up to so many times the bias.
    const CLASS_2: f64 = 3.0;
    if let Some(drive) = row.drive() {
        return Ok((bench.at(drive)?, How::Printed));
    }
    let sides = if row.is_pair() { 2.0 } else { 1.0 };
    let bias = sides * row.bias().expect("a circuit was made of it");
    if row.is_class_2() {
        let watts = row.power_w.expect("asked for");
        let (level, _) = bench.at_first(|level| level.power, watts, CLASS_2 * bias)?;
        return Ok((level, How::ForPower));
    }
    match row.distortion() {
        Some(percent) => {
            let (level, reached) = bench.at_first(|level| level.thd, 1e-2 * percent, bias)?;
            let how = if reached {
                How::ForDistortion
            } else {
                How::DistortionNotReached
            };
            Ok((level, how))
        }
        None => Ok((bench.at(bias)?, How::Bias)),
    }
}

/// True when a point of the type, in use, has the electrode volts and the current of the row, to 3 %.
fn idle_is_fitted(row: &Amplifier) -> bool {
    const NEAR: f64 = 0.03;
    let near = |a: f64, b: f64| (a / b - 1.0).abs() < NEAR;
    let Ok(valve) = library::find(&row.r#type) else {
        return false;
    };
    let milliamps = if row.is_strapped() {
        row.ia_zero_ma.or(row.ik_zero_ma)
    } else {
        row.ia_zero_ma
    };
    let (Some(volts), Some(bias), Some(milliamps)) = (row.va_v, row.bias(), milliamps) else {
        return false;
    };
    let each = milliamps / f64::from(row.valves);
    valve.points.iter().any(|point| {
        let connection = match point.connection {
            Connection::Strapped => row.is_strapped(),
            Connection::Normal => !row.is_strapped() && !row.is_ultra_linear(),
        };
        let screen = match (row.has_screen(), row.vg2_v, point.v_sk) {
            (true, Some(ours), Some(its)) => near(ours, its),
            (has, ..) => !has,
        };
        point.unused.is_none()
            && connection
            && screen
            && point.v_ak.is_some_and(|v| near(v, volts))
            && point.v_gk.is_some_and(|v| near(-v, bias))
            && point.i_a.is_some_and(|i| near(1e3 * i, each))
    })
}

/// One resistance-coupled row.
pub fn stage(row: &Stage, valves: &Valves<'_>) -> Outcome {
    let mut outcome = Outcome {
        valve: row.r#type.clone(),
        label: row.label(),
        usage: if row.connection == "triode" {
            Use::StageTriode
        } else {
            Use::StagePentode
        },
        figures: figures(&[
            (Quantity::Idle, row.ia_ma.or(row.ik_ma)),
            (Quantity::Distortion, row.thd_percent),
            (Quantity::Gain, Some(row.gain)),
            (Quantity::PeakOutput, row.eo_peak_v),
        ]),
        drive: None,
        idle_is_fitted: false,
        not_run: None,
        source: row.source.clone(),
        basis: row.basis.clone(),
        confidence: row.confidence.clone(),
        note: row.note.clone(),
        doubt: row.doubt.clone(),
        doubted: row.doubted.clone(),
    };
    run(
        &mut outcome,
        circuit::stage(row),
        valves,
        |bench, outcome| ask_stage(row, bench, outcome),
    );
    outcome
}

fn ask_stage(row: &Stage, bench: &Bench, outcome: &mut Outcome) -> Result<(), SimError> {
    /// Drive up to which the onset of grid current is sought, V peak: more than the bias of any stage here.
    const MOST_DRIVE: f64 = 20.0;
    let idle = bench.idle()?;
    let screens = f64::from(u8::from(row.ik_ma.is_some()));
    set(
        outcome,
        Quantity::Idle,
        1e3 * (idle.anodes + screens * idle.screens),
    );
    match bench.at_output(row.vo_rms_v.unwrap_or(GAIN_AT))? {
        Some(level) => {
            set(outcome, Quantity::Gain, level.output_rms / level.drive_rms);
            set(outcome, Quantity::Distortion, 100.0 * level.thd);
            outcome.drive = Some((level.drive, How::ForOutput));
        }
        None => outcome.not_run = Some("the printed output is not reached".to_owned()),
    }
    if row.eo_peak_v.is_some() {
        let grid = |level: &Level| level.valves[0].i_g_most;
        let (level, reached) = bench.at_first(grid, GRID_CURRENT_SETS_IN, MOST_DRIVE)?;
        if reached {
            set(
                outcome,
                Quantity::PeakOutput,
                std::f64::consts::SQRT_2 * level.output_rms,
            );
        }
    }
    Ok(())
}
