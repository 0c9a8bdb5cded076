//! The value that was chosen, in words.

use measure::instruments::preferred::MARGIN;
use measure::judged::choose::{Choice, ChooseOf, Solution};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use crate::notes;
use crate::report::table::{Sheet, watts};

pub(super) fn text(amplifier: &Amplifier, question: &ChooseOf, answer: &Choice) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    let value = |value: f64| engineering(value, question.unit);
    let figure = |figure: f64| engineering(figure, question.figure.unit());
    let parts = answer.parts.join(" and ");
    for solution in &answer.solutions {
        text += &format!(
            "{parts} = {} gives {} = {}{}.\n",
            value(solution.value),
            answer.figure,
            figure(solution.gives),
            if solution.nearest && answer.solutions.len() > 1 {
                ", nearest to the present value"
            } else {
                ""
            }
        );
        if solution.oscillates {
            text += "  NOT STABLE: with it the amplifier does not stay at rest.\n";
        }
    }
    if answer.solutions.is_empty() {
        text += &format!(
            "No value of {parts} between {} and {} gives {} = {}.\n",
            value(answer.from),
            value(answer.to),
            answer.figure,
            figure(answer.target)
        );
        text += &match (answer.least, answer.greatest) {
            (Some(least), Some(greatest)) => format!(
                "It goes from {} at {} to {} at {}.\n",
                figure(least.gives.unwrap_or(f64::NAN)),
                value(least.value),
                figure(greatest.gives.unwrap_or(f64::NAN)),
                value(greatest.value)
            ),
            _ => "The circuit has no such figure at any value tried.\n".to_owned(),
        };
    }
    for jump in &answer.jumps {
        text += &format!("At {} it jumps over what is wanted.\n", value(*jump));
    }
    text += &match (answer.present, answer.present_gives) {
        (Some(present), Some(gives)) => format!("Now: {}, {}.\n", value(present), figure(gives)),
        (None, Some(gives)) => format!("Now: {}.\n", figure(gives)),
        (Some(present), None) => format!("Now: {}, no such figure.\n", value(present)),
        (None, None) => "Now there is no such figure.\n".to_owned(),
    };
    let none = answer.curve.iter().filter(|at| at.gives.is_none()).count();
    text += &format!(
        "\nConditions: searched from {} to {}, {} values; each solution meets the target to {};\n  everything else as in the file.{}\n\n",
        value(answer.from),
        value(answer.to),
        answer.curve.len(),
        engineering(ChooseOf::promised(), Unit::Percent),
        if none > 0 {
            format!(" {none} of the values have no such figure.")
        } else {
            String::new()
        }
    );
    for solution in &answer.solutions {
        text += &preferred(question, answer, solution);
    }
    text += &notes::text(amplifier);
    text
}

/// What the preferred values beside a solution give, and the rating of a resistor.
fn preferred(question: &ChooseOf, answer: &Choice, solution: &Solution) -> String {
    let value = |value: f64| engineering(value, question.unit);
    let unit = question.figure.unit();
    let mut sheet = Sheet::new(&["value", "series", &answer.figure, "off target"]);
    for preferred in &solution.preferred {
        let off = preferred.gives.map(|gives| gives - answer.target);
        sheet.row(vec![
            value(preferred.value),
            preferred.series.name().to_owned(),
            preferred
                .gives
                .map_or_else(|| "-".to_owned(), |gives| engineering(gives, unit)),
            match off {
                None => "-".to_owned(),
                Some(off) if answer.target == 0.0 => engineering(off, unit),
                Some(off) => format!("{:+.1} %", 100.0 * off / answer.target.abs()),
            },
        ]);
    }
    let mut text = sheet.print(
        &format!(
            "Preferred values beside {} (IEC 60063)",
            value(solution.value)
        ),
        0,
    );
    if let Some(dissipation) = solution.dissipation {
        // The blank line comes after the sentence that belongs to the table.
        text.pop();
        text += &match solution.rating {
            Some(rating) => format!(
                "  {} dissipated with no signal: {} or more, {MARGIN} times that.\n\n",
                watts(dissipation),
                engineering(rating, Unit::Watt)
            ),
            None => format!(
                "  {} dissipated with no signal: beyond the ratings of resistors.\n\n",
                watts(dissipation)
            ),
        };
    }
    text
}
