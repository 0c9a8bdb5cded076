//! Volts of the capacitors against time, as a picture and as CSV.

use measure::at_rest::switch_on::{CapacitorAtSwitchOn, SwitchOn};
use sim::amplifier::Amplifier;

use super::{Answer, text};
use crate::report::csv;
use crate::report::plot::{NotDrawn, Plot};
use crate::report::stacked::stacked;

/// Curves that can be told apart.
const CURVES: usize = 6;

/// As drawn above, with silicon below.
pub(super) fn svg(amplifier: &Amplifier, answer: &Answer) -> Result<String, NotDrawn> {
    let conditions = text::conditions(answer);
    let shown = most_stressed(&answer.as_drawn);
    let mut pictures = vec![picture(
        &amplifier.title,
        &conditions,
        &answer.as_drawn,
        &shown,
    )?];
    if let Some(run) = &answer.with_silicon {
        let title = format!("{}, with silicon rectifiers", amplifier.title);
        pictures.push(picture(&title, &conditions, run, &shown)?);
    }
    match pictures.as_slice() {
        [one] => Ok(one.clone()),
        several => Ok(stacked(several)),
    }
}

/// The HT and the capacitors nearest to their rating, by their places.
fn most_stressed(run: &SwitchOn) -> Vec<usize> {
    let mut order: Vec<usize> = (0..run.capacitors.len()).collect();
    let stress = |c: &CapacitorAtSwitchOn| match (&run.ht, c.peak.percent()) {
        (Some(ht), _) if *ht == c.part => f64::INFINITY,
        (_, Some(percent)) => percent,
        // Without a rating, behind all that have one.
        (_, None) => -1.0 / c.peak.value.max(f64::MIN_POSITIVE),
    };
    order.sort_by(|&a, &b| stress(&run.capacitors[b]).total_cmp(&stress(&run.capacitors[a])));
    order.truncate(CURVES);
    order
}

fn picture(
    title: &str,
    conditions: &str,
    run: &SwitchOn,
    shown: &[usize],
) -> Result<String, NotDrawn> {
    let largest: Vec<Vec<f64>> = shown
        .iter()
        .map(|&k| {
            let envelope = &run.envelope.capacitors[k];
            let cycles = envelope.least.iter().zip(&envelope.greatest);
            cycles.map(|(least, most)| most.max(-least)).collect()
        })
        .collect();
    let left_out = run.capacitors.len() - shown.len();
    let conditions = format!(
        "{conditions}; peak of each cycle; dashed: rating{}",
        if left_out > 0 {
            format!("; {left_out} more capacitors not shown")
        } else {
            String::new()
        }
    );
    let levels = shown.iter().enumerate();
    let plot = Plot {
        title,
        conditions: &conditions,
        x_name: "time, s",
        y_name: "volts across the capacitor",
        x: &run.envelope.time,
        curves: shown
            .iter()
            .zip(&largest)
            .map(|(&k, volts)| (run.capacitors[k].part.clone(), volts.as_slice()))
            .collect(),
        levels: levels
            .filter_map(|(curve, &k)| Some((curve, run.capacitors[k].peak.limit?)))
            .collect(),
    };
    plot.svg()
}

/// A line for each mains cycle; with silicon behind, on the same times.
pub(super) fn csv(answer: &Answer) -> String {
    let mut header = vec!["time [s]".to_owned()];
    let runs = [
        ("", Some(&answer.as_drawn)),
        (" with silicon", answer.with_silicon.as_ref()),
    ];
    let longest = runs
        .iter()
        .filter_map(|(_, run)| Some(&run.as_ref()?.envelope.time))
        .max_by_key(|time| time.len())
        .cloned()
        .unwrap_or_default();
    let mut columns: Vec<Vec<f64>> = vec![longest.clone()];
    for (which, run) in runs {
        for capacitor in run.iter().flat_map(|run| &run.envelope.capacitors) {
            for (what, volts) in [
                ("least", &capacitor.least),
                ("greatest", &capacitor.greatest),
            ] {
                header.push(format!("{}{which} {what} [V]", capacitor.part));
                // A run that settled earlier has no more to say.
                let mut column = volts.clone();
                column.resize(longest.len(), f64::NAN);
                columns.push(column);
            }
        }
    }
    csv::columns(
        &header,
        &columns.iter().map(Vec::as_slice).collect::<Vec<_>>(),
    )
}
