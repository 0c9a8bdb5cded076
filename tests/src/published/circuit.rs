//! A row → the text of an amplifier file. The conventions are told in `VALIDATION.md`, "How a row becomes a circuit".

use std::fmt::Write;

use super::rows::{Amplifier, Stage};

/// Magnetics as good as none: 1000 H, 1 mH leakage, 100 pF, core loss as of 100 MΩ, no winding resistance. At 1 kHz
/// all of it together moves the output by less than the print is rounded.
const NEARLY_IDEAL: &str = "primary_resistance = \"0R\", secondary_resistance = \"0R\", primary_inductance = \"1000H\", leakage_inductance = \"1mH\", capacitance = \"100p\", core_loss = \"100M\"";

/// Load that stands in a circuit which is asked for its idle currents alone, Ω: it takes no part in them.
const ANY_LOAD: f64 = 5e3;

/// Screen and anode volts no further apart are one supply, V: print has no finer digits.
const SAME: f64 = 1e-3;

/// The circuit of an amplifier row.
///
/// # Errors
/// What the row lacks, in words.
pub fn amplifier(row: &Amplifier) -> Result<String, String> {
    let bias = row
        .bias()
        .ok_or("neither bias nor cathode resistor printed")?;
    let cathode_bias = row.rk_ohm.is_some();
    // Printed electrode volts count from the cathode, which a resistor lifts.
    let lift = if cathode_bias { bias } else { 0.0 };
    let supply = row
        .vb_v
        .or_else(|| Some(row.va_v? + lift))
        .ok_or("no anode volts printed")?;
    let mut text = head(&row.label(), &row.source);
    let mut part = |line: String| writeln!(text, "{line}").expect("text takes text");
    part(format!(
        "HT = {{ supply = \"{supply}V\", positive = \"ht\", negative = \"chassis\" }}"
    ));
    let sides: &[&str] = if row.is_pair() { &["1", "2"] } else { &[""] };
    let screen = screens(row, lift, supply, sides, &mut part)?;
    let ground = if cathode_bias {
        "chassis"
    } else {
        part(format!(
            "GB = {{ supply = \"{bias}V\", positive = \"chassis\", negative = \"bias\" }}"
        ));
        "bias"
    };
    if let Some(ohms) = row.rk_ohm {
        let each = row.is_pair() && row.rk_shared == Some(false);
        for side in if each { sides } else { &[""] } {
            part(format!(
                "RK{side} = {{ resistor = \"{ohms}R\", between = [\"k{side}\", \"chassis\"] }}\nCK{side} = {{ capacitor = \"1000u\", between = [\"k{side}\", \"chassis\"] }}"
            ));
        }
    }
    for side in sides {
        let cathode = match row.rk_shared {
            _ if !cathode_bias => "chassis".to_owned(),
            Some(false) => format!("k{side}"),
            _ => "k".to_owned(),
        };
        let screen = screen.as_ref().map_or(String::new(), |node| {
            format!(", screen = \"{}\"", node.replace('#', side))
        });
        part(format!(
            "V{} = {{ valve = \"{}\", anode = \"a{side}\"{screen}, grid = \"g{side}\", cathode = \"{cathode}\" }}",
            if side.is_empty() { "1" } else { side },
            row.r#type
        ));
    }
    part(output(row));
    part("RL = { resistor = \"8R\", between = [\"out\", \"chassis\"] }".to_owned());
    let generator = if row.is_pair() {
        part(format!(
            "T1 = {{ transformer = \"1000 : 1000 turns\", primary = [\"in\", \"chassis\"], secondary = [\"g1\", \"{ground}\", \"g2\"], {NEARLY_IDEAL} }}"
        ));
        "{ into = \"in\", resistance = \"1R\" }".to_owned()
    } else if cathode_bias {
        "{ into = \"g\", resistance = \"0R\" }".to_owned()
    } else {
        "{ into = \"g\", return = \"bias\", resistance = \"0R\" }".to_owned()
    };
    write!(
        text,
        "\n[bench]\ngenerator = {generator}\nload = \"RL\"\nfrequency = \"1kHz\"\n"
    )
    .expect("text takes text");
    Ok(text)
}

/// The feed of the screens and the node a screen stands at, `#` for the side; none for a triode.
fn screens(
    row: &Amplifier,
    lift: f64,
    supply: f64,
    sides: &[&str],
    part: &mut impl FnMut(String),
) -> Result<Option<String>, String> {
    if row.is_strapped() {
        return Ok(Some("a#".to_owned()));
    }
    if row.is_ultra_linear() {
        let Some(ohms) = row.rg2_ohm else {
            return Ok(Some("t#".to_owned()));
        };
        for side in sides {
            part(format!(
                "R2{side} = {{ resistor = \"{ohms}R\", between = [\"s{side}\", \"t{side}\"] }}"
            ));
        }
        return Ok(Some("s#".to_owned()));
    }
    if !row.has_screen() {
        return Ok(None);
    }
    let volts = row.vg2_supply_v.or_else(|| Some(row.vg2_v? + lift));
    let feed = match volts {
        None if row.rg2_ohm.is_none() => return Err("no screen volts printed".to_owned()),
        None => "ht",
        Some(volts) if (volts - supply).abs() < SAME => "ht",
        Some(volts) => {
            part(format!(
                "HT2 = {{ supply = \"{volts}V\", positive = \"hts\", negative = \"chassis\" }}"
            ));
            "hts"
        }
    };
    let Some(ohms) = row.rg2_ohm else {
        return Ok(Some(feed.to_owned()));
    };
    part(format!(
        "R2 = {{ resistor = \"{ohms}R\", between = [\"s\", \"{feed}\"] }}"
    ));
    Ok(Some("s".to_owned()))
}

/// The output transformer, with the taps of the screens.
fn output(row: &Amplifier) -> String {
    let ohms = row.load_ohm.unwrap_or(ANY_LOAD);
    let (primary, taps) = match (row.is_pair(), row.ul_tap_percent) {
        (false, _) => ("[\"a\", \"ht\"]".to_owned(), String::new()),
        (true, None) => ("[\"a1\", \"ht\", \"a2\"]".to_owned(), String::new()),
        // A tap at t per cent of a half, counted from the supply, is so far from the first anode.
        (true, Some(t)) => (
            "[\"a1\", \"t1\", \"ht\", \"t2\", \"a2\"]".to_owned(),
            format!(
                ", primary_taps = [\"{}%\", \"50%\", \"{}%\"]",
                0.5 * (100.0 - t),
                0.5 * (100.0 + t)
            ),
        ),
    };
    format!(
        "T2 = {{ transformer = \"{ohms}R : 8R\", primary = {primary}{taps}, secondary = [\"out\", \"chassis\"], {NEARLY_IDEAL} }}"
    )
}

/// The circuit of a resistance-coupled row.
///
/// # Errors
/// What the row lacks, in words.
pub fn stage(row: &Stage) -> Result<String, String> {
    let supply = row.vb_v.ok_or("no supply volts printed")?;
    let cathode = row.rk_ohm.ok_or("no cathode resistor printed")?;
    let mut text = head(&row.label(), &row.source);
    let screen = match (row.connection.as_str(), row.rg2_ohm) {
        ("triode", None) => "",
        ("pentode", Some(ohms)) => {
            write!(
                text,
                "R2 = {{ resistor = \"{ohms}R\", between = [\"s\", \"ht\"] }}\nC2 = {{ capacitor = \"100u\", between = [\"s\", \"chassis\"] }}\n"
            )
            .expect("text takes text");
            ", screen = \"s\""
        }
        _ => return Err("no screen resistor printed".to_owned()),
    };
    write!(
        text,
        r#"HT = {{ supply = "{supply}V", positive = "ht", negative = "chassis" }}
V1 = {{ valve = "{}", anode = "a"{screen}, grid = "g", cathode = "k" }}
RA = {{ resistor = "{}R", between = ["a", "ht"] }}
RK = {{ resistor = "{cathode}R", between = ["k", "chassis"] }}
CK = {{ capacitor = "1000u", between = ["k", "chassis"] }}
C1 = {{ capacitor = "1u", between = ["a", "out"] }}
RG = {{ resistor = "{}R", between = ["out", "chassis"] }}

[bench]
generator = {{ into = "g", resistance = "0R" }}
load = "RG"
frequency = "1kHz"
"#,
        row.r#type, row.ra_ohm, row.rg_next_ohm
    )
    .expect("text takes text");
    Ok(text)
}

fn head(title: &str, source: &str) -> String {
    format!("[amplifier]\ntitle = \"{title}\"\nsource = \"{source}\"\n\n[parts]\n")
}
