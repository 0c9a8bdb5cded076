//! Comma-separated values: a header with units, one line a sample, all digits. A value that does not exist
//! is left empty.

use std::fmt::Write;

/// A table of columns of one length.
pub(crate) fn columns(header: &[String], columns: &[&[f64]]) -> String {
    let mut text = header
        .iter()
        .map(|name| quoted(name))
        .collect::<Vec<_>>()
        .join(",");
    text.push('\n');
    let rows = columns.iter().map(|column| column.len()).min().unwrap_or(0);
    for row in 0..rows {
        for (k, column) in columns.iter().enumerate() {
            if k > 0 {
                text.push(',');
            }
            if column[row].is_finite() {
                number(&mut text, column[row]);
            }
        }
        text.push('\n');
    }
    text
}

/// All digits, with an exponent where plain figures would be mostly noughts.
fn number(text: &mut String, value: f64) {
    const PLAIN: std::ops::Range<f64> = 1e-4..1e15;
    let plain = value == 0.0 || PLAIN.contains(&value.abs());
    if plain {
        write!(text, "{value}").expect("a String takes all");
    } else {
        write!(text, "{value:e}").expect("a String takes all");
    }
}

/// A field as it stands between commas.
pub(crate) fn quoted(field: &str) -> String {
    if field.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::columns;

    #[test]
    fn numbers_come_back_to_the_last_bit() {
        let values = [0.1, -1.0 / 3.0, 6.02e23, 1e-300];
        let text = columns(&["t, s".to_owned(), "v".to_owned()], &[&values, &values]);
        assert!(text.starts_with("\"t, s\",v\n"));
        assert!(
            text.contains("0.1,0.1\n") && text.ends_with("1e-300,1e-300\n"),
            "{text}"
        );
        for (line, value) in text.lines().skip(1).zip(values) {
            for field in line.split(',') {
                assert_eq!(field.parse::<f64>().map(f64::to_bits), Ok(value.to_bits()));
            }
        }
    }
}
