//! The answer of `supply` in words and tables.
//!
//! Over 400 lines because it is one report: a function a table.

use measure::at_rest::supply::{
    AnodeStress, Beyond, Condition, DISCHARGED, Figures, Kind, LONGEST, Stress, Supply, beyond,
};
use measure::instruments::valve::AgainstLimit;
use sim::amplifier::Amplifier;
use sim::quantity::{Quantity, Unit, engineering};

use crate::notes;
use crate::report::table::{Sheet, amps, share};

pub(super) fn text(amplifier: &Amplifier, answer: &Supply) -> String {
    let in_use = Conditions::in_use(answer);
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &headline(answer, &in_use);
    text += &over(&in_use);
    text += &points(&in_use);
    text += &plug(&in_use);
    text += &taps(answer);
    text += &regulation(answer);
    text += &rectifiers(&in_use);
    text += &stabilisers(&in_use);
    text += &heaters(&in_use);
    text += &windings(&in_use);
    text += &capacitors(&in_use);
    text += &pairs(&in_use);
    text += &discharge(answer);
    text += &notes::text(amplifier);
    text
}

/// The conditions on the tap in use, no signal and full drive, with figures.
struct Conditions<'a>(Vec<(&'a Condition, &'a Figures)>);

impl<'a> Conditions<'a> {
    fn in_use(answer: &'a Supply) -> Self {
        let all = answer.conditions.iter().chain(&answer.full_drive);
        let solved = all.filter(|condition| condition.in_use);
        Self(
            solved
                .filter_map(|condition| Some((condition, condition.figures.as_ref()?)))
                .collect(),
        )
    }

    fn first(&self) -> Option<&'a Figures> {
        self.0.first().map(|(_, figures)| *figures)
    }

    /// The greatest of a figure.
    fn most(&self, figure: impl Fn(&Figures) -> f64) -> f64 {
        let figures = self.0.iter().map(|(_, figures)| figure(figures));
        figures.fold(f64::NEG_INFINITY, f64::max)
    }

    /// The greatest of a figure that has a limit, and the condition it belongs to.
    fn worst(&self, figure: impl Fn(&Figures) -> AgainstLimit) -> (AgainstLimit, &'a Condition) {
        let all = self
            .0
            .iter()
            .map(|(condition, figures)| (figure(figures), *condition));
        all.max_by(|a, b| a.0.value.total_cmp(&b.0.value))
            .expect("nominal mains was solved, or there is no answer")
    }
}

/// What a condition is called.
fn mark(condition: &Condition) -> String {
    if condition.drive.is_some() {
        return "full drive".to_owned();
    }
    let place = condition.words();
    format!("{place} {}", volts(condition.volts))
}

fn volts(volts: f64) -> String {
    engineering(volts, Unit::Volt)
}

fn watts(watts: f64) -> String {
    engineering(watts, Unit::Watt)
}

fn percent(ratio: f64) -> String {
    format!("{:.0} %", 100.0 * ratio)
}

fn dash() -> String {
    "-".to_owned()
}

fn headline(answer: &Supply, in_use: &Conditions<'_>) -> String {
    let band: Vec<String> = in_use
        .0
        .iter()
        .filter(|(condition, _)| condition.drive.is_none())
        .map(|(condition, _)| mark(condition))
        .collect();
    let tap = match (
        &answer.transformer,
        in_use.0.first().and_then(|(c, _)| c.tap),
    ) {
        (Some(part), Some(tap)) => format!(", {part} on its {} tap", volts(tap)),
        _ => String::new(),
    };
    let mut text = format!(
        "Mains {} at {}: {}{tap}.\nSettled periods of the whole circuit, valves hot, no signal",
        answer.mains,
        Quantity::exact(answer.frequency, Unit::Hertz),
        band.join(", ")
    );
    text += &match &answer.full_drive {
        Some(driven) => format!(
            "; and full drive, {} peak from the\ngenerator, {} into the load, at nominal mains.\n",
            volts(driven.drive.unwrap_or(0.0)),
            driven.output.map_or_else(dash, watts)
        ),
        None => ". Full drive is left out: give the generator's\npeak with --drive, e.g. --drive 0.3V.\n"
            .to_owned(),
    };
    for condition in &answer.conditions {
        if let Some(reason) = &condition.failed {
            text += &format!(
                "NOT SOLVED: {} mains{}: {reason}.\n",
                mark(condition),
                condition
                    .tap
                    .map_or_else(String::new, |tap| format!(" on the {} tap", volts(tap)))
            );
        }
    }
    text.push('\n');
    text
}

/// What is over its rating in any condition on the tap in use: what the reader must not miss.
fn over(in_use: &Conditions<'_>) -> String {
    if in_use.first().is_none() {
        return String::new();
    }
    let lines: Vec<String> = beyond(&in_use.0).iter().map(judgement).collect();
    if lines.is_empty() {
        return "Nothing is over the ratings given.\n\n".to_owned();
    }
    format!("OVER THE RATING\n{}\n\n", lines.join("\n"))
}

fn judgement(beyond: &Beyond<'_>) -> String {
    let (part, place) = (beyond.part, beyond.place);
    match &beyond.kind {
        Kind::Over(stress, figure, condition) => {
            let what = match stress {
                Stress::PeakCurrent | Stress::PeakInverse => {
                    format!("{part} at {place}: {}", stress.words())
                }
                Stress::WindingCurrent => format!("{part}: {place} {}", stress.words()),
                Stress::DirectCurrent | Stress::Current | Stress::Voltage | Stress::Dissipation => {
                    format!("{part}: {}", stress.words())
                }
            };
            format!(
                "  {what} {} is {} of {} allowed, at {}",
                engineering(figure.value, stress.unit()),
                share(figure),
                engineering(figure.limit.unwrap_or(f64::NAN), stress.unit()),
                mark(condition)
            )
        }
        Kind::ShortOfOhms(ohms) => format!(
            "  {part} at {place}: {} more wanted in series with the anode, by the published operations",
            engineering(*ohms, Unit::Ohm)
        ),
        Kind::HeatersOff(heaters, condition) => {
            let off = heaters.iter();
            let off: Vec<String> = off
                .map(|(part, share)| format!("{part} {}", percent(*share)))
                .collect();
            format!(
                "  heaters and filaments more than 10 % off at {}: {} of their rated volts",
                mark(condition),
                off.join(", ")
            )
        }
        Kind::Reversed => format!("  {part}: an electrolytic the WRONG WAY ROUND"),
        Kind::GoesOut(least, out) => format!(
            "  {part}: current down to {} does not keep it burning; it goes out below {}",
            amps(*least),
            amps(*out)
        ),
        Kind::Saturated(share) => format!(
            "  {part}: the core reaches {} of the flux where it SATURATES",
            percent(*share)
        ),
    }
}

fn points(in_use: &Conditions<'_>) -> String {
    let Some(first) = in_use.first() else {
        return String::new();
    };
    let mut header = vec!["point".to_owned()];
    header.extend(in_use.0.iter().map(|(condition, _)| mark(condition)));
    header.extend(["ripple rms".to_owned(), "peak to peak".to_owned()]);
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let mut sheet = Sheet::new(&header);
    for (k, point) in first.points.iter().enumerate() {
        let mut row = vec![point.node.clone()];
        row.extend(in_use.0.iter().map(|(_, f)| volts(f.points[k].volts)));
        let idle = |of: &dyn Fn(&Figures) -> f64| {
            let silent = in_use.0.iter().filter(|(c, _)| c.drive.is_none());
            volts(silent.map(|(_, f)| of(f)).fold(0.0, f64::max))
        };
        row.push(idle(&|f| f.points[k].ripple_rms));
        row.push(idle(&|f| f.points[k].ripple_peak_to_peak));
        sheet.row(row);
    }
    sheet.print(
        "HT and bias points: mean volts against the chassis; the greatest ripple with no signal",
        1,
    )
}

fn plug(in_use: &Conditions<'_>) -> String {
    let Some(first) = in_use.first() else {
        return String::new();
    };
    let mut header = vec!["mains", "current rms", "power", "apparent"];
    let fluxes: Vec<String> = first
        .cores
        .iter()
        .map(|core| format!("{} flux", core.part))
        .collect();
    header.extend(fluxes.iter().map(String::as_str));
    let mut sheet = Sheet::new(&header);
    for (condition, figures) in &in_use.0 {
        let plug = &figures.plug;
        let mut row = vec![
            mark(condition),
            amps(plug.current),
            watts(plug.power),
            watts(plug.apparent).replace('W', "VA"),
        ];
        row.extend(figures.cores.iter().map(|core| percent(core.saturation)));
        sheet.row(row);
    }
    sheet.print(
        "From the mains; peak flux of cores against the flux where they saturate",
        1,
    )
}

fn taps(answer: &Supply) -> String {
    let Some(figures) = answer.conditions.iter().find_map(|c| c.figures.as_ref()) else {
        return String::new();
    };
    if answer.conditions.iter().all(|condition| condition.in_use) {
        return String::new();
    }
    let mut header = vec!["tap", "mains"];
    header.extend(figures.points.iter().map(|point| point.node.as_str()));
    header.extend(["heaters", "current rms", "over"]);
    let mut sheet = Sheet::new(&header);
    for condition in &answer.conditions {
        let tap = condition.tap.map_or_else(dash, volts);
        let mut row = vec![
            if condition.in_use {
                format!("{tap} in use")
            } else {
                tap
            },
            volts(condition.volts),
        ];
        let Some(figures) = &condition.figures else {
            row.extend(figures.points.iter().map(|_| dash()));
            row.extend([dash(), dash(), "not solved".to_owned()]);
            sheet.row(row);
            continue;
        };
        row.extend(figures.points.iter().map(|point| volts(point.volts)));
        let far = figures
            .heaters
            .iter()
            .map(|heater| heater.volts / heater.rated);
        row.push(
            far.max_by(|a, b| (a - 1.0).abs().total_cmp(&(b - 1.0).abs()))
                .map_or_else(dash, percent),
        );
        row.push(amps(figures.plug.current));
        let over = figures_over(figures);
        row.push(if over.is_empty() {
            dash()
        } else {
            over.join(", ")
        });
        sheet.row(row);
    }
    sheet.print(
        "Taps: mean volts, the heater furthest from its rated volts, mains current, what is over or off",
        1,
    )
}

/// Parts over a rating in one condition.
fn figures_over(figures: &Figures) -> Vec<String> {
    let mut over: Vec<&str> = Vec::new();
    let mut check = |part, figure: &AgainstLimit| {
        if figure.is_over() {
            over.push(part);
        }
    };
    for rectifier in &figures.rectifiers {
        check(rectifier.part.as_str(), &rectifier.direct);
        for anode in &rectifier.anodes {
            check(&rectifier.part, &anode.peak);
            check(&rectifier.part, &anode.inverse);
        }
    }
    for winding in &figures.windings {
        check(&winding.part, &winding.current);
    }
    for capacitor in &figures.capacitors {
        check(&capacitor.part, &capacitor.volts);
    }
    for stabiliser in &figures.stabilisers {
        check(&stabiliser.part, &stabiliser.most);
    }
    for heater in figures.heaters.iter().filter(|heater| heater.off) {
        over.push(&heater.part);
    }
    for core in figures.cores.iter().filter(|core| core.saturation > 1.0) {
        over.push(&core.part);
    }
    over.sort_unstable();
    over.dedup();
    over.into_iter().map(str::to_owned).collect()
}

fn regulation(answer: &Supply) -> String {
    let mut sheet = Sheet::new(&["point", "idle", "full drive", "change"]);
    for point in &answer.regulation {
        sheet.row(vec![
            point.node.clone(),
            volts(point.idle),
            volts(point.driven),
            format!("{:+.1} %", 100.0 * point.change),
        ]);
    }
    sheet.print("Regulation from idle to full drive, nominal mains", 1)
}

/// What the tables of stresses show.
const WORST: &str = "the worst of all conditions on this tap";

fn rectifiers(in_use: &Conditions<'_>) -> String {
    let Some(first) = in_use.first() else {
        return String::new();
    };
    let mut currents = Sheet::new(&[
        "rectifier",
        "type",
        "anode",
        "DC",
        "of limit",
        "mean",
        "rms",
        "peak",
        "of limit",
    ]);
    let mut feeds = Sheet::new(&[
        "rectifier",
        "anode",
        "inverse",
        "of limit",
        "fed by, off load",
        "ohms in anode",
        "least",
    ]);
    for (k, rectifier) in first.rectifiers.iter().enumerate() {
        let direct = in_use.worst(|f| f.rectifiers[k].direct).0;
        for (j, anode) in rectifier.anodes.iter().enumerate() {
            let peak = in_use.worst(|f| f.rectifiers[k].anodes[j].peak).0;
            let inverse = in_use.worst(|f| f.rectifiers[k].anodes[j].inverse).0;
            let most =
                |of: fn(&AnodeStress) -> f64| in_use.most(|f| of(&f.rectifiers[k].anodes[j]));
            let (dc, of_limit) = if j == 0 {
                (amps(direct.value), share(&direct))
            } else {
                (String::new(), String::new())
            };
            currents.row(vec![
                rectifier.part.clone(),
                rectifier
                    .kind
                    .clone()
                    .unwrap_or_else(|| "silicon".to_owned()),
                anode.node.clone(),
                dc,
                of_limit,
                amps(most(|anode| anode.mean)),
                amps(most(|anode| anode.rms)),
                amps(peak.value),
                share(&peak),
            ]);
            let least = most(|anode| anode.least_ohms.unwrap_or(0.0));
            let fed = most(|anode| anode.feed_volts.unwrap_or(0.0));
            feeds.row(vec![
                rectifier.part.clone(),
                anode.node.clone(),
                volts(inverse.value),
                share(&inverse),
                if fed > 0.0 { volts(fed) } else { dash() },
                anode
                    .supply_ohms
                    .map_or_else(dash, |ohms| engineering(ohms, Unit::Ohm)),
                if least > 0.0 {
                    engineering(least, Unit::Ohm)
                } else {
                    dash()
                },
            ]);
        }
    }
    currents.print(&format!("Rectifier currents, {WORST}"), 3)
        + &feeds.print(
            "Peak inverse volts, and the resistance in each anode: winding, reflected primary, mains and resistors,\nagainst the least of the type's published operations",
            2,
        )
}

fn stabilisers(in_use: &Conditions<'_>) -> String {
    let Some(first) = in_use.first() else {
        return String::new();
    };
    let mut sheet = Sheet::new(&[
        "stabiliser",
        "type",
        "volts",
        "least",
        "goes out below",
        "most",
        "of limit",
    ]);
    for (k, stabiliser) in first.stabilisers.iter().enumerate() {
        let most = in_use.worst(|f| f.stabilisers[k].most).0;
        sheet.row(vec![
            stabiliser.part.clone(),
            stabiliser.kind.clone(),
            volts(stabiliser.volts),
            amps(-in_use.most(|f| -f.stabilisers[k].least)),
            stabiliser.goes_out.map_or_else(dash, amps),
            amps(most.value),
            share(&most),
        ]);
    }
    sheet.print(&format!("Stabilisers (taken as burning), {WORST}"), 2)
}

fn heaters(in_use: &Conditions<'_>) -> String {
    let Some(first) = in_use.first() else {
        return String::new();
    };
    let mut header = vec!["heater".to_owned(), "type".to_owned(), "rated".to_owned()];
    let silent: Vec<_> = in_use.0.iter().filter(|(c, _)| c.drive.is_none()).collect();
    header.extend(silent.iter().map(|(condition, _)| mark(condition)));
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let mut sheet = Sheet::new(&header);
    for (k, heater) in first.heaters.iter().enumerate() {
        let mut row = vec![
            heater.part.clone(),
            heater.kind.clone(),
            volts(heater.rated),
        ];
        row.extend(silent.iter().map(|(_, figures)| {
            let heater = &figures.heaters[k];
            let mark = if heater.off { "OFF " } else { "" };
            format!(
                "{mark}{} ({:+.0} %)",
                volts(heater.volts),
                100.0 * (heater.volts / heater.rated - 1.0)
            )
        }));
        sheet.row(row);
    }
    sheet.print(
        "Heaters and filaments, volts rms; within 10 % is common practice",
        2,
    )
}

fn windings(in_use: &Conditions<'_>) -> String {
    let Some(first) = in_use.first() else {
        return String::new();
    };
    let mut sheet = Sheet::new(&[
        "part",
        "winding",
        "current rms",
        "of rating",
        "resistance",
        "copper loss",
    ]);
    for (k, winding) in first.windings.iter().enumerate() {
        let current = in_use.worst(|f| f.windings[k].current).0;
        sheet.row(vec![
            winding.part.clone(),
            winding.winding.clone(),
            amps(current.value),
            share(&current),
            engineering(winding.resistance, Unit::Ohm),
            watts(in_use.most(|f| f.windings[k].loss)),
        ]);
    }
    sheet.print(&format!("Windings and chokes, {WORST}"), 2)
}

fn capacitors(in_use: &Conditions<'_>) -> String {
    let Some(first) = in_use.first() else {
        return String::new();
    };
    let mut sheet = Sheet::new(&[
        "capacitor",
        "value",
        "volts",
        "of rating",
        "ripple current rms",
    ]);
    for (k, capacitor) in first.capacitors.iter().enumerate() {
        let worst = in_use.worst(|f| f.capacitors[k].volts).0;
        sheet.row(vec![
            capacitor.part.clone(),
            engineering(capacitor.capacitance, Unit::Farad),
            volts(worst.value),
            share(&worst),
            amps(in_use.most(|f| f.capacitors[k].ripple_amps)),
        ]);
    }
    sheet.print(
        &format!("Capacitors of the supply and other electrolytics, greatest volts, {WORST}"),
        1,
    )
}

fn pairs(in_use: &Conditions<'_>) -> String {
    let Some(first) = in_use.first() else {
        return String::new();
    };
    let mut sheet = Sheet::new(&["in series", "across both", "shared", "resistors"]);
    for (k, pair) in first.pairs.iter().enumerate() {
        let shared = |f: &Figures| f.pairs[k].share;
        let far = in_use.most(|f| (shared(f) - 0.5).abs());
        let share = if in_use.0.iter().any(|(_, f)| shared(f) - 0.5 >= far) {
            0.5 + far
        } else {
            0.5 - far
        };
        let resistors: Vec<String> = pair
            .resistors
            .iter()
            .enumerate()
            .map(|(j, resistor)| {
                let worst = in_use.worst(|f| f.pairs[k].resistors[j].power).0;
                format!("{} {}", resistor.part, watts(worst.value))
            })
            .collect();
        sheet.row(vec![
            pair.parts.join(", "),
            volts(in_use.most(|f| f.pairs[k].across)),
            format!("{} : {}", percent(share), percent(1.0 - share)),
            if resistors.is_empty() {
                "none: shared by leakage alone".to_owned()
            } else {
                resistors.join(", ")
            },
        ]);
    }
    sheet.print("Capacitors in series", 1)
}

fn discharge(answer: &Supply) -> String {
    if let Some(reason) = &answer.discharge_failed {
        return format!("Discharge: not followed, {reason}.\n\n");
    }
    let mut sheet = Sheet::new(&["capacitor", "charged to", "valves hot", "valves cold"]);
    let minutes = LONGEST / 60.0;
    let time = |time: Option<f64>, left: Option<f64>| match (time, left) {
        (Some(time), _) => duration(time),
        (None, Some(left)) => format!("NEVER in {minutes:.0} min, {} left", volts(left)),
        (None, None) => dash(),
    };
    for capacitor in &answer.discharge {
        sheet.row(vec![
            capacitor.part.clone(),
            volts(capacitor.volts),
            time(capacitor.hot, capacitor.hot_left),
            time(capacitor.cold, capacitor.cold_left),
        ]);
    }
    sheet.print(
        &format!(
            "After switching off at high mains, time until below {}. Hot valves discharge the capacitors only until\nthey cool; cold, bleeders alone do it, and leakage is not counted: believe the longer time, and before it the\nmeter",
            volts(DISCHARGED)
        ),
        1,
    )
}

/// A time one waits for.
fn duration(seconds: f64) -> String {
    const MINUTE: f64 = 60.0;
    if seconds > 2.0 * MINUTE {
        format!("{:.1} min", seconds / MINUTE)
    } else {
        engineering(seconds, Unit::Second)
    }
}
