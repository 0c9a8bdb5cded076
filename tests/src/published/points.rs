//! The characteristic points each type was fitted to, beside what its law makes of them.

use std::fmt::Write;

use models::ValveCurrents;
use models::data::{Connection, Point, ValveModel, ValveType};
use models::library;

/// A figure further off than this is listed, a ratio: sheets round slopes to a tenth, and what is beyond that contradicts
/// the other figures of the type or shows where the law fails.
const LISTED: f64 = 0.15;

/// Points and errors of one type.
#[derive(Debug)]
pub struct Points {
    /// The type.
    pub valve: String,
    /// Points in use, cut-off points apart.
    pub used: usize,
    /// Sizes of the errors of current, gm, mu and screen current, per cent, ascending.
    pub errors: [Vec<f64>; 4],
    /// Figures far off, and points not used, in words.
    pub remarks: Vec<String>,
}

/// All triodes and pentodes of the library.
pub fn all() -> Vec<Points> {
    library::valves()
        .iter()
        .filter(|valve| matches!(valve.model, ValveModel::Triode(_) | ValveModel::Pentode(_)))
        .map(of)
        .collect()
}

fn of(valve: &ValveType) -> Points {
    let mut answer = Points {
        valve: valve.name.clone(),
        used: 0,
        errors: Default::default(),
        remarks: Vec::new(),
    };
    for (index, point) in valve.points.iter().enumerate() {
        let at = place(index, point);
        if let Some(why) = &point.unused {
            answer.remarks.push(format!("{at}: not used, {why}"));
            continue;
        }
        let Some(currents) = currents(&valve.model, point) else {
            continue;
        };
        if point.cut_off {
            answer.remarks.push(format!(
                "{at}: cut-off, {:.2} mA printed, {:.2} mA ours",
                1e3 * point.i_a.unwrap_or(f64::NAN),
                1e3 * currents.anode
            ));
            continue;
        }
        answer.used += 1;
        let table = [
            ("current", point.i_a, currents.anode),
            ("gm", point.gm, currents.gm()),
            ("mu", point.mu, currents.mu()),
            ("screen current", point.i_s, currents.screen),
        ];
        for (kind, (what, published, ours)) in table.into_iter().enumerate() {
            let Some(published) = published else { continue };
            let error = ours / published - 1.0;
            answer.errors[kind].push(100.0 * error.abs());
            if error.abs() > LISTED {
                answer
                    .remarks
                    .push(format!("{at}: {what} {:+.0} %", 100.0 * error));
            }
        }
    }
    for errors in &mut answer.errors {
        errors.sort_by(f64::total_cmp);
    }
    answer
}

fn currents(model: &ValveModel, point: &Point) -> Option<ValveCurrents> {
    let (v_ak, v_gk) = (point.v_ak?, point.v_gk?);
    match (model, point.connection) {
        (ValveModel::Triode(triode), _) => Some(triode.currents(v_ak, v_gk)),
        (ValveModel::Pentode(pentode), Connection::Normal) => {
            Some(pentode.currents(v_ak, point.v_sk?, v_gk))
        }
        (ValveModel::Pentode(pentode), Connection::Strapped) => {
            Some(pentode.currents(v_ak, v_ak, v_gk).strapped())
        }
        _ => None,
    }
}

fn place(index: usize, point: &Point) -> String {
    let mut text = format!("point {}", index + 1);
    let mut say = |name: &str, volts: Option<f64>| {
        if let Some(volts) = volts {
            write!(text, " {name} {volts:.1} V").expect("text takes text");
        }
    };
    say("Va", point.v_ak);
    say("Vg2", point.v_sk);
    say("Vg", point.v_gk);
    if point.connection == Connection::Strapped {
        text += " strapped";
    }
    text
}
