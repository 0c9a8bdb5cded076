//! The answer of `voltages` in words and tables.
//!
//! Over 400 lines because it is one report: a function a table.

use measure::at_rest::voltages::{ValveAtRest, Voltages};
use measure::instruments::valve::AgainstLimit;
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};
use sim::stability::Growing;

use crate::notes;
use crate::report::table::{Sheet, amps, share, volts, watts};

pub(super) fn text(amplifier: &Amplifier, answer: &Voltages) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += "With no signal; voltages against the chassis, true values (no meter loading).\n";
    text += &mains(answer);
    text.push('\n');
    text += &shorted(answer);
    if let Some(growing) = &answer.growing {
        text += &growing_words(growing);
    }
    text += &over_ratings(answer);
    text += &nodes(answer);
    text += &valves(answer);
    text += &heaters(answer);
    text += &rectifiers(answer);
    text += &stabilisers(answer);
    text += &resistors(answer);
    text += &capacitors(answer);
    text += &windings(answer);
    text += &supplies(answer);
    text += &notes::text(amplifier);
    text += &match &answer.mains {
        Some(mains) => format!(
            "Mains period settled in {} cycles, {}.\n",
            mains.cycles,
            closely(mains.residual, "of its swing", "as closely as it is solved")
        ),
        None => format!(
            "Operating point found {}; currents balance {}.\n",
            answer.found,
            closely(answer.residual, "A", "to the last digit")
        ),
    };
    text
}

/// How closely something closes: a power of ten, or in words where nothing is left over.
fn closely(left: f64, of: &str, nothing: &str) -> String {
    if left > 0.0 {
        format!("to {left:.0e} {of}")
    } else {
        nothing.to_owned()
    }
}

/// A short comes before everything else: no other figure matters while it lasts.
fn shorted(answer: &Voltages) -> String {
    let shorted = answer.supplies.iter().filter(|supply| supply.is_shorted());
    let lines = shorted.map(|supply| {
        format!(
            "SHORT CIRCUIT: {} gives {} into {}.\n",
            supply.part,
            engineering(supply.current.abs(), Unit::Ampere),
            engineering(supply.into_ohms.unwrap_or(0.0).max(0.0), Unit::Ohm)
        )
    });
    let text: String = lines.collect();
    if text.is_empty() { text } else { text + "\n" }
}

/// What a figure means while the mains runs.
fn mains(answer: &Voltages) -> String {
    let Some(mains) = &answer.mains else {
        return String::new();
    };
    format!(
        "On its mains, {} in all, settled: volts and currents are means, as a meter on DC reads; of resistors and\nwindings rms, of capacitors and cathodes the greatest volts. Ripple is rms.\n",
        engineering(mains.period, Unit::Second)
    )
}

/// A chart of voltages that the amplifier does not keep must not look like any other.
fn growing_words(growing: &Growing) -> String {
    let end = (growing.grown).map_or_else(String::new, |grown| format!("; once grown, {grown}"));
    let often = engineering(growing.frequency, Unit::Hertz);
    let what = if growing.swings() {
        format!("it oscillates at about {often}{end}")
    } else if growing.comes_back() {
        let often = (growing.grown).map_or_else(
            || format!(", at about {often}"),
            |grown| format!("; {grown}"),
        );
        format!("it runs away, tips over, and comes back to do so again{often}")
    } else {
        format!("it runs away{end}")
    };
    format!(
        "NOT STABLE: {what}. The amplifier does not stay at these voltages; see `gridleak explain oscillates`.\n\n"
    )
}

/// What is over its rating comes first: it is what the reader must not miss.
fn over_ratings(answer: &Voltages) -> String {
    let mut lines = over_limits(answer);
    lines.extend(reversed(answer));
    lines.extend(going_out(answer));
    lines.extend(heaters_off(answer));
    lines.extend(saturated(answer));
    if lines.is_empty() {
        return "Nothing is over the ratings given.\n\n".to_owned();
    }
    format!("OVER THE RATING\n{}\n\n", lines.join("\n"))
}

/// A figure of a part beside its limit.
type Limited<'a> = (&'a str, &'static str, Unit, &'a AgainstLimit);

/// A line for each figure over its limit, by kinds of part.
fn over_limits(answer: &Voltages) -> Vec<String> {
    let windings = answer.windings.iter();
    // Of one winding its part; of several, which.
    let windings: Vec<(String, &AgainstLimit)> = windings
        .map(|winding| {
            let several = answer.windings.iter().filter(|w| w.part == winding.part);
            let name = match several.count() {
                1 => winding.part.clone(),
                _ => format!("{}, {}", winding.part, winding.winding),
            };
            (name, &winding.current)
        })
        .collect();
    let volts = |part, figure| (part, "voltage", Unit::Volt, figure);
    let amps = |part, figure| (part, "current", Unit::Ampere, figure);
    let heaters = answer.heaters.iter().filter_map(|heater| {
        let to_cathode = heater.to_cathode.as_ref()?;
        let figure = "heater-cathode voltage";
        Some((heater.furthest(), figure, Unit::Volt, to_cathode))
    });
    let rectifiers = answer.rectifiers.iter();
    let stabilisers = answer.stabilisers.iter();
    let resistors = answer.resistors.iter().flat_map(|resistor| {
        let part = resistor.part.as_str();
        let power = (part, "dissipation", Unit::Watt, &resistor.power);
        [power, volts(part, &resistor.volts)]
    });
    let capacitors = answer.capacitors.iter();
    let figures: Vec<Limited<'_>> = answer
        .valves
        .iter()
        .flat_map(of_valve)
        .chain(heaters)
        .chain(rectifiers.map(|rectifier| amps(rectifier.part.as_str(), &rectifier.current)))
        .chain(stabilisers.map(|stabiliser| amps(stabiliser.part.as_str(), &stabiliser.current)))
        .chain(resistors)
        .chain(capacitors.map(|capacitor| volts(capacitor.part.as_str(), &capacitor.volts)))
        .chain(
            windings
                .iter()
                .map(|(name, current)| amps(name.as_str(), *current)),
        )
        .collect();
    figures.into_iter().filter_map(over).collect()
}

/// The limited figures of a valve.
fn of_valve(valve: &ValveAtRest) -> Vec<Limited<'_>> {
    let part = valve.part.as_str();
    let mut figures = vec![
        (part, "anode voltage", Unit::Volt, &valve.v_ak),
        (part, "heater-cathode voltage", Unit::Volt, &valve.v_k),
        (part, "cathode current", Unit::Ampere, &valve.i_k),
        (part, "anode dissipation", Unit::Watt, &valve.p_a),
    ];
    figures.extend(
        valve
            .v_sk
            .as_ref()
            .map(|v_sk| (part, "screen voltage", Unit::Volt, v_sk)),
    );
    figures.extend(
        valve
            .p_s
            .as_ref()
            .map(|p_s| (part, "screen dissipation", Unit::Watt, p_s)),
    );
    figures
}

/// A line for a figure over its limit.
fn over((part, what, unit, figure): Limited<'_>) -> Option<String> {
    let limit = figure.limit.filter(|_| figure.is_over())?;
    Some(format!(
        "  {part}: {what} {} is {} of {} allowed",
        engineering(figure.value, unit),
        share(figure),
        engineering(limit, unit)
    ))
}

fn reversed(answer: &Voltages) -> impl Iterator<Item = String> {
    let reversed = answer.capacitors.iter().filter(|c| c.reversed);
    reversed.map(|capacitor| format!("  {}: an electrolytic the WRONG WAY ROUND", capacitor.part))
}

fn going_out(answer: &Voltages) -> impl Iterator<Item = String> {
    let going_out = answer.stabilisers.iter().filter(|s| s.goes_out());
    going_out.map(|stabiliser| {
        format!(
            "  {}: current {} does not keep the stabiliser burning; it goes out below {}",
            stabiliser.part,
            amps(stabiliser.current.value),
            amps(stabiliser.least.unwrap_or(0.0))
        )
    })
}

fn heaters_off(answer: &Voltages) -> impl Iterator<Item = String> {
    answer.heaters.iter().filter(|h| h.off).map(|heater| {
        format!(
            "  {}: {} at {} where {} are rated; within 10 % is common practice",
            heater.part,
            if heater.filament {
                "filament"
            } else {
                "heater"
            },
            volts(heater.volts),
            engineering(heater.rated, Unit::Volt)
        )
    })
}

fn saturated(answer: &Voltages) -> impl Iterator<Item = String> {
    let mut saturated: Vec<&str> = answer
        .windings
        .iter()
        .filter(|winding| winding.direct_flux.is_some_and(|flux| flux > 1.0))
        .map(|winding| winding.part.as_str())
        .collect();
    saturated.dedup();
    saturated.into_iter().map(|part| {
        format!("  {part}: the core is SATURATED by its direct current; if it is made for it, give `direct_current` or the gap")
    })
}

fn nodes(answer: &Voltages) -> String {
    let mut header = vec!["node", "volts"];
    if answer.mains.is_some() {
        header.push("ripple");
    }
    let mut sheet = Sheet::new(&header);
    for node in &answer.nodes {
        let mut row = vec![node.node.clone(), volts(node.volts)];
        row.extend(node.ripple.map(volts));
        sheet.row(row);
    }
    sheet.print("Nodes", 1)
}

fn valves(answer: &Voltages) -> String {
    let mut figures = Sheet::new(&[
        "valve", "type", "Va-k", "Vg2-k", "Vg-k", "Vk", "Ia", "Ig2", "Ig", "gm", "ra", "mu",
    ]);
    let mut limits = Sheet::new(&[
        "valve",
        "Pa",
        "of limit",
        "Pg2",
        "of limit",
        "Va-k of limit",
        "Ik of limit",
        "Vh-k of limit",
    ]);
    let dash = || "-".to_owned();
    for valve in &answer.valves {
        figures.row(vec![
            valve.part.clone(),
            if valve.strapped {
                format!("{} as triode", valve.kind)
            } else {
                valve.kind.clone()
            },
            volts(valve.v_ak.value),
            valve
                .v_sk
                .as_ref()
                .map_or_else(dash, |v_sk| volts(v_sk.value)),
            volts(valve.v_gk),
            volts(valve.v_k.value),
            amps(valve.i_a),
            valve.v_sk.as_ref().map_or_else(dash, |_| amps(valve.i_s)),
            amps(valve.i_g),
            format!("{:.2} mA/V", 1e3 * valve.gm),
            // Cut off, a valve has neither.
            if valve.ra.is_finite() {
                engineering(valve.ra, Unit::Ohm)
            } else {
                dash()
            },
            if valve.mu.is_finite() {
                format!("{:.1}", valve.mu)
            } else {
                dash()
            },
        ]);
        limits.row(vec![
            valve.part.clone(),
            engineering(valve.p_a.value, Unit::Watt),
            share(&valve.p_a),
            valve
                .p_s
                .as_ref()
                .map_or_else(dash, |p_s| engineering(p_s.value, Unit::Watt)),
            valve.p_s.as_ref().map_or_else(dash, share),
            share(&valve.v_ak),
            share(&valve.i_k),
            share(&valve.v_k),
        ]);
    }
    figures.print("Valves", 2)
        + &limits.print(
            &format!(
                "Valves against their limits ({}{})",
                if answer.heaters.is_empty() {
                    "heaters at the chassis"
                } else {
                    "heaters that are not drawn at the chassis"
                },
                strapped_words(answer)
            ),
            1,
        )
}

/// What the dissipation of strapped valves is held against.
fn strapped_words(answer: &Voltages) -> &'static str {
    let strapped = answer.valves.iter().filter(|valve| valve.strapped);
    let (printed, all) = strapped.fold((0, 0), |(printed, all), valve| {
        (printed + usize::from(valve.strapped_limit), all + 1)
    });
    match (printed, all) {
        (_, 0) => "",
        (0, _) => "; as triode, Pa includes the screen and its limit is the anode's",
        (printed, all) if printed == all => {
            "; as triode, Pa includes the screen and its limit is the sheet's for a triode"
        }
        _ => {
            "; as triode, Pa includes the screen and its limit is the sheet's for a triode, else the anode's"
        }
    }
}

fn heaters(answer: &Voltages) -> String {
    let mut sheet = Sheet::new(&[
        "heater",
        "type",
        "volts rms",
        "of rated",
        "to cathode",
        "of limit",
    ]);
    let dash = || "-".to_owned();
    for heater in &answer.heaters {
        sheet.row(vec![
            heater.part.clone(),
            heater.kind.clone(),
            volts(heater.volts),
            format!("{:.0} %", 100.0 * heater.volts / heater.rated),
            heater.to_cathode.map_or_else(dash, |figure| {
                let of = heater.furthest();
                let volts = volts(figure.value);
                if of == heater.part {
                    volts
                } else {
                    format!("{volts} of {of}")
                }
            }),
            heater.to_cathode.map_or_else(dash, |figure| share(&figure)),
        ]);
    }
    sheet.print("Heaters and filaments", 2)
}

fn rectifiers(answer: &Voltages) -> String {
    let mut sheet = Sheet::new(&["rectifier", "type", "mean current", "of limit", "peak drop"]);
    for rectifier in &answer.rectifiers {
        sheet.row(vec![
            rectifier.part.clone(),
            rectifier.kind.clone(),
            amps(rectifier.current.value),
            share(&rectifier.current),
            volts(rectifier.drop),
        ]);
    }
    sheet.print("Rectifiers", 2)
}

fn stabilisers(answer: &Voltages) -> String {
    let mut sheet = Sheet::new(&[
        "stabiliser",
        "type",
        "volts",
        "current",
        "goes out below",
        "of most",
        "strikes at",
    ]);
    let figure = |figure: Option<f64>, unit| {
        figure.map_or_else(|| "-".to_owned(), |figure| engineering(figure, unit))
    };
    for stabiliser in &answer.stabilisers {
        sheet.row(vec![
            stabiliser.part.clone(),
            stabiliser.kind.clone(),
            volts(stabiliser.volts),
            amps(stabiliser.current.value),
            figure(stabiliser.least, Unit::Ampere),
            share(&stabiliser.current),
            figure(stabiliser.strike, Unit::Volt),
        ]);
    }
    sheet.print("Stabilisers (taken as burning)", 2)
}

fn resistors(answer: &Voltages) -> String {
    let mut sheet = Sheet::new(&["resistor", "ohms", "volts", "current", "watts", "of rating"]);
    for resistor in &answer.resistors {
        sheet.row(vec![
            resistor.part.clone(),
            engineering(resistor.resistance, Unit::Ohm),
            volts(resistor.volts.value),
            amps(resistor.current.abs()),
            watts(resistor.power.value),
            share(&resistor.power),
        ]);
    }
    sheet.print("Resistors", 1)
}

fn capacitors(answer: &Voltages) -> String {
    let mut sheet = Sheet::new(&["capacitor", "value", "volts", "of rating"]);
    for capacitor in &answer.capacitors {
        sheet.row(vec![
            capacitor.part.clone(),
            engineering(capacitor.capacitance, Unit::Farad),
            volts(capacitor.volts.value),
            if capacitor.reversed {
                "WRONG WAY ROUND".to_owned()
            } else {
                share(&capacitor.volts)
            },
        ]);
    }
    sheet.print("Capacitors", 1)
}

fn windings(answer: &Voltages) -> String {
    let mut sheet = Sheet::new(&[
        "part",
        "winding",
        "current",
        "of rating",
        "drop",
        "flux of saturation",
    ]);
    for winding in &answer.windings {
        sheet.row(vec![
            winding.part.clone(),
            winding.winding.clone(),
            amps(winding.current.value),
            share(&winding.current),
            volts(winding.drop),
            winding
                .flux
                .map_or_else(|| "-".to_owned(), |flux| format!("{:.0} %", 100.0 * flux)),
        ]);
    }
    sheet.print("Windings", 2)
}

fn supplies(answer: &Voltages) -> String {
    let mut sheet = Sheet::new(&["supply", "open circuit", "current", "power"]);
    for supply in answer
        .supplies
        .iter()
        .filter(|supply| supply.part != "generator")
    {
        sheet.row(vec![
            supply.part.clone(),
            volts(supply.volts),
            amps(supply.current),
            watts(supply.power),
        ]);
    }
    sheet.print("Supplies", 1)
}
