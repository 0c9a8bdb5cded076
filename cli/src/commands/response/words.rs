//! The report of a response, in words and tables.

use measure::small_signal::response::{Fall, Peak};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::{Answer, Curve, conditions};
use crate::amplifier::generator_ohms;
use crate::notes;
use crate::report::table::Sheet;

pub(super) fn report(amplifier: &Amplifier, answer: &Answer) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    if let [curve] = answer.curves.as_slice() {
        text += &headline(answer, curve);
        text.push('\n');
    }
    text += &format!(
        "Conditions: {};\n  generator {}, limits against the gain at {},\n  -3 dB is half the power; where a dash stands there is none from {} to {}.\n\n",
        conditions(amplifier, answer),
        generator(amplifier),
        hertz(answer.reference),
        ends(answer).0,
        ends(answer).1,
    );
    text += &band(answer);
    text += &peaks(answer);
    text += &deviations(answer);
    text += &match answer.curves.as_slice() {
        [curve] => table(answer, curve),
        _ => comparison(answer),
    };
    text += &notes::text(amplifier);
    text
}

/// The generator's resistance, which the gain includes.
fn generator(amplifier: &Amplifier) -> String {
    generator_ohms(amplifier).map_or_else(|| "-".to_owned(), |ohms| engineering(ohms, Unit::Ohm))
}

/// The ends of the grid.
fn ends(answer: &Answer) -> (String, String) {
    let end = |frequency: Option<&f64>| frequency.map_or_else(String::new, |f| hertz(*f));
    (end(answer.frequency.first()), end(answer.frequency.last()))
}

/// Gain, band, highest peak and largest deviation of a single curve.
fn headline(answer: &Answer, curve: &Curve) -> String {
    let response = &curve.response;
    let (least, most) = ends(answer);
    let mut text = format!(
        "Gain {} ({:.2} dB) at {}",
        figures(response.gain),
        response.gain_db,
        hertz(answer.reference)
    );
    if let Some(fall) = response.falls.last() {
        text += &format!(
            ", no more than {:.0} dB less from {} to {}",
            fall.fall,
            fall.lower.map_or_else(|| format!("below {least}"), hertz),
            fall.upper.map_or_else(|| format!("above {most}"), hertz)
        );
    }
    text += ".\n";
    let highest = response
        .peaks
        .iter()
        .max_by(|a, b| a.height_db.total_cmp(&b.height_db));
    text += &match highest {
        Some(peak) => format!(
            "Highest peak {}.\n",
            peak_words(peak, response.falls.last())
        ),
        None => "No peak stands out.\n".to_owned(),
    };
    if let (Some(deviation), Some(target)) = (&response.deviation, answer.target) {
        text += &format!(
            "Largest deviation from {target}: {:+.2} dB at {}.\n",
            deviation.largest_db,
            hertz(deviation.at)
        );
    }
    text
}

/// Height, place, and on which side of the band.
pub(super) fn peak_words(peak: &Peak, band: Option<&Fall>) -> String {
    let below = band
        .and_then(|band| band.lower)
        .is_some_and(|lower| peak.frequency < lower);
    let where_it_is = match (peak.inside, below) {
        (true, _) => "inside the band",
        (false, true) => "below the band",
        (false, false) => "above the band",
    };
    format!(
        "{:+.2} dB at {}, {where_it_is}",
        peak.height_db,
        hertz(peak.frequency)
    )
}

fn band(answer: &Answer) -> String {
    let mut sheet = Sheet::new(&[
        "curve",
        "gain",
        "dB",
        "-1 dB from",
        "to",
        "-3 dB from",
        "to",
        "phase at 20 Hz",
        "at 20 kHz",
    ]);
    let place = |frequency: Option<f64>| frequency.map_or_else(|| "-".to_owned(), hertz);
    for curve in &answer.curves {
        let response = &curve.response;
        let mut row = vec![
            curve.name.clone(),
            figures(response.gain),
            format!("{:.2}", response.gain_db),
        ];
        for fall in &response.falls {
            row.extend([place(fall.lower), place(fall.upper)]);
        }
        for frequency in [20.0_f64, 20e3] {
            let mut rows = response.table.iter();
            let there = rows.find(|row| row.frequency.to_bits() == frequency.to_bits());
            row.push(there.map_or_else(|| "-".to_owned(), |row| degrees(row.phase_degrees)));
        }
        sheet.row(row);
    }
    let heading = format!("Gain at {} and limits", hertz(answer.reference));
    sheet.print(&heading, 1)
}

fn peaks(answer: &Answer) -> String {
    let mut sheet = Sheet::new(&["curve", "where", "frequency", "height"]);
    for curve in &answer.curves {
        for peak in &curve.response.peaks {
            let words = peak_words(peak, curve.response.falls.last());
            sheet.row(vec![
                curve.name.clone(),
                words.rsplit(", ").next().unwrap_or_default().to_owned(),
                hertz(peak.frequency),
                format!("{:+.2} dB", peak.height_db),
            ]);
        }
    }
    sheet.print("Peaks, against the gain above", 2)
}

fn deviations(answer: &Answer) -> String {
    let Some(target) = answer.target else {
        return String::new();
    };
    let mut sheet = Sheet::new(&["curve", "largest", "at"]);
    for curve in &answer.curves {
        if let Some(deviation) = &curve.response.deviation {
            sheet.row(vec![
                curve.name.clone(),
                format!("{:+.3} dB", deviation.largest_db),
                hertz(deviation.at),
            ]);
        }
    }
    let band = answer.curves.iter().find_map(|curve| {
        let deviation = curve.response.deviation.as_ref()?;
        Some(format!(
            "{} to {}",
            hertz(deviation.from),
            hertz(deviation.to)
        ))
    });
    let band = band.unwrap_or_default();
    let heading = format!("Deviation from {target}, {band}, both made equal at 1 kHz");
    sheet.print(&heading, 1)
}

fn table(answer: &Answer, curve: &Curve) -> String {
    let against = format!("against {}", hertz(answer.reference));
    let mut sheet = Sheet::new(&["frequency", "gain", &against, "phase"]);
    for row in &curve.response.table {
        sheet.row(vec![
            hertz(row.frequency),
            format!("{:.2} dB", row.gain_db),
            format!("{:+.2} dB", plain_nought(row.relative_db, 0.005)),
            degrees(row.phase_degrees),
        ]);
    }
    sheet.print("Response", 0)
}

fn comparison(answer: &Answer) -> String {
    let mut header = vec!["frequency"];
    header.extend(answer.curves.iter().map(|curve| curve.name.as_str()));
    let mut sheet = Sheet::new(&header);
    let rows = answer
        .curves
        .first()
        .map_or(0, |curve| curve.response.table.len());
    for k in 0..rows {
        let mut row = vec![hertz(answer.curves[0].response.table[k].frequency)];
        let curves = answer.curves.iter();
        row.extend(curves.map(|curve| format!("{:.2}", curve.response.table[k].gain_db)));
        sheet.row(row);
    }
    sheet.print("Gain, dB", 0)
}

pub(super) fn hertz(frequency: f64) -> String {
    engineering(frequency, Unit::Hertz)
}

fn degrees(angle: f64) -> String {
    format!("{:.1}°", plain_nought(angle, 0.05))
}

/// What rounds to nought, being less than half a unit of its last digit, has no sign.
fn plain_nought(value: f64, half: f64) -> f64 {
    if value.abs() < half { 0.0 } else { value }
}

/// Three figures of a ratio.
fn figures(ratio: f64) -> String {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "from 0 to 9"
    )]
    let digits = (2.0 - ratio.abs().log10().floor()).clamp(0.0, 9.0) as usize;
    format!("{ratio:.digits$}")
}

#[cfg(test)]
mod tests {
    use super::{degrees, plain_nought};

    #[test]
    fn what_is_printed_as_nought_has_no_sign() {
        assert_eq!(degrees(-0.04), "0.0°");
        assert_eq!(degrees(-0.06), "-0.1°");
        assert_eq!(format!("{:+.2}", plain_nought(-0.004, 0.005)), "+0.00");
    }
}
