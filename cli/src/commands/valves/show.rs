//! `valves show TYPE`: the data sheet of a type, with what our law makes of each published figure.
//!
//! Over 400 lines because it is one sheet: a function a table.

use models::data::{
    Capacitances, Connection, Filter, Operation, Point, Source, ValveKind, ValveModel, ValveType,
};
use models::fit::{self, Quantity};
use models::pentode::PentodeLaw;
use models::working_point::{Class, Joined};
use serde::Serialize;
use sim::quantity::{Unit, engineering};

use super::{HeaterFigures, NOTHING, WIDTH, or_nothing, plain, wrapped};
use crate::failure::Failure;
use crate::library;
use crate::options::Options;
use crate::report::table::Sheet;
use crate::report::{self, json};

/// Which type.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// Type of valve, e.g. 2A3; another name of it will do.
    #[arg(value_name = "TYPE")]
    valve: String,
}

/// A source in JSON.
#[derive(Debug, Serialize)]
struct SourceOf {
    text: String,
    basis: String,
    confidence: Option<String>,
}

impl From<&Source> for SourceOf {
    fn from(source: &Source) -> Self {
        Self {
            text: source.text.clone(),
            basis: source.basis.clone(),
            confidence: (!source.confidence.is_empty()).then(|| source.confidence.clone()),
        }
    }
}

/// A limit with its words.
#[derive(Debug, Serialize)]
struct Limit {
    of: &'static str,
    value: f64,
    unit: &'static str,
    #[serde(skip)]
    printed: String,
}

/// One published figure.
#[derive(Debug, Serialize)]
struct Figure {
    of: &'static str,
    published: f64,
    ours: Option<f64>,
    difference: Option<f64>,
    contradicted: bool,
    #[serde(skip)]
    printed: [String; 2],
}

/// One published point.
#[derive(Debug, Serialize)]
struct PointOf {
    strapped: bool,
    v_ak: Option<f64>,
    v_sk: Option<f64>,
    v_gk: Option<f64>,
    figures: Vec<Figure>,
    unused: Option<String>,
    source: SourceOf,
}

/// One published drop of a rectifier.
#[derive(Debug, Serialize)]
struct DropOf {
    volts: f64,
    amps: f64,
    ours: f64,
    unused: Option<String>,
    source: SourceOf,
}

/// One published operation of a rectifier.
#[derive(Debug, Serialize)]
struct OperationOf {
    filter: &'static str,
    volts_rms: Option<f64>,
    supply_ohms: Option<f64>,
    reservoir: Option<f64>,
    choke: Option<f64>,
    dc_amps: Option<f64>,
    dc_volts: Option<f64>,
    source: SourceOf,
}

/// One number of the law.
#[derive(Debug, Serialize)]
struct Parameter {
    name: &'static str,
    value: f64,
}

/// Capacitances of one section.
#[derive(Debug, Serialize)]
struct CapacitancesOf {
    anode_grid: f64,
    grid_cathode: f64,
    anode_cathode: f64,
    grid_screen: f64,
}

/// Published noise at the grid.
#[derive(Debug, Serialize)]
struct GridNoiseOf {
    /// V rms.
    volts: f64,
    /// The band, Hz.
    from: f64,
    /// Its end, Hz.
    to: f64,
    source: String,
}

/// What a stabiliser keeps.
#[derive(Debug, Serialize)]
struct DischargeOf {
    volts: f64,
    amps: f64,
    slope_ohms: f64,
    strike_volts: Option<f64>,
}

/// The sheet.
#[derive(Debug, Serialize)]
struct Answer {
    #[serde(rename = "type")]
    name: String,
    aliases: Vec<String>,
    near: Vec<String>,
    kind: &'static str,
    class: &'static str,
    sections: u32,
    heater: Option<HeaterFigures>,
    base: Option<String>,
    pins: Vec<String>,
    top_cap: Option<String>,
    rating: String,
    limits: Vec<Limit>,
    capacitances: Option<CapacitancesOf>,
    points: Vec<PointOf>,
    drops: Vec<DropOf>,
    operations: Vec<OperationOf>,
    discharge: Option<DischargeOf>,
    /// Published noise of the valve by itself.
    grid_noise: Option<GridNoiseOf>,
    law: &'static str,
    parameters: Vec<Parameter>,
    fit_current_median: Option<f64>,
    fit_current_worst: Option<f64>,
    fit_slope_worst: Option<f64>,
    cautions: Vec<String>,
    note: String,
    source: SourceOf,
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let valve = library::find(&arguments.valve)?;
    let answer = answer(valve);
    if options.json {
        report::print(&json::bare("valves show", &answer))?;
    } else {
        report::print(&text(valve, &answer))?;
    }
    Ok(())
}

fn answer(valve: &ValveType) -> Answer {
    let ratio = |percent: f64| percent.is_finite().then_some(percent / 100.0);
    let error = valve.fit_error;
    let law = super::parameters(&valve.model);
    Answer {
        name: valve.name.clone(),
        aliases: valve.aliases.clone(),
        near: valve
            .near
            .iter()
            .map(|near| format!("{}: {}", near.name, near.differs))
            .collect(),
        kind: super::kind(valve.class),
        class: super::class(Class::of(valve)),
        sections: valve.sections,
        heater: valve.heater.as_ref().map(HeaterFigures::from),
        base: valve.base.as_ref().map(|base| base.name.clone()),
        pins: valve
            .base
            .as_ref()
            .map_or_else(Vec::new, |base| base.pins.clone()),
        top_cap: valve.base.as_ref().and_then(|base| base.top_cap.clone()),
        rating: valve.limits.rating.clone(),
        limits: limits(valve),
        capacitances: capacitances(&valve.capacitances),
        points: valve.points.iter().map(|p| point(valve, p)).collect(),
        drops: drops(valve),
        operations: valve.operations.iter().map(operation).collect(),
        grid_noise: valve.grid_noise.as_ref().map(|noise| GridNoiseOf {
            volts: noise.volts,
            from: noise.from,
            to: noise.to,
            source: noise.source.text.clone(),
        }),
        discharge: valve.discharge.as_ref().map(|d| DischargeOf {
            volts: d.voltage,
            amps: d.current,
            slope_ohms: d.slope_ohms,
            strike_volts: d.strike_volts,
        }),
        law: law_of(&valve.model),
        parameters: law.map_or_else(Vec::new, |law| {
            let values = law.names().iter().zip(law.values());
            values
                .map(|(name, value)| Parameter { name, value })
                .collect()
        }),
        fit_current_median: error.and_then(|e| ratio(e.current_median_percent)),
        fit_current_worst: error.and_then(|e| ratio(e.current_worst_percent)),
        fit_slope_worst: error.and_then(|e| ratio(e.slope_worst_percent)),
        cautions: cautions(valve),
        note: valve.note.clone(),
        source: SourceOf::from(&valve.source),
    }
}

fn law_of(model: &ValveModel) -> &'static str {
    match model {
        ValveModel::Triode(_) => "control voltage (models/src/triode.rs)",
        ValveModel::Pentode(pentode) => match pentode.law {
            PentodeLaw::CurrentSharing(_) => {
                "current sharing (models/src/pentode/current_sharing.rs)"
            }
            PentodeLaw::FallingScreen(_) => {
                "falling screen current (models/src/pentode/falling_screen.rs)"
            }
        },
        ValveModel::Rectifier(_) => "three-halves power of the drop (models/src/rectifier.rs)",
        ValveModel::Stabiliser(_) => "maintaining volts and a slope (models/src/stabiliser.rs)",
    }
}

fn limits(valve: &ValveType) -> Vec<Limit> {
    let l = &valve.limits;
    let volt = (Unit::Volt, "V");
    let watt = (Unit::Watt, "W");
    let ampere = (Unit::Ampere, "A");
    let ohm = (Unit::Ohm, "Ω");
    [
        ("anode volts", l.anode_volts, volt),
        ("anode dissipation, a section", l.anode_watts, watt),
        ("anode dissipation, all sections", l.all_anodes_watts, watt),
        ("screen volts", l.screen_volts, volt),
        ("screen dissipation", l.screen_watts, watt),
        ("volts with screen tied to anode", l.strapped_volts, volt),
        (
            "dissipation with screen tied to anode",
            l.strapped_watts,
            watt,
        ),
        ("cathode current", l.cathode_amps, ampere),
        ("heater to cathode", l.heater_cathode_volts, volt),
        ("grid leak, fixed bias", l.grid_leak_fixed, ohm),
        ("grid leak, cathode bias", l.grid_leak_cathode_bias, ohm),
        ("peak inverse volts", l.peak_inverse_volts, volt),
        ("peak anode current", l.peak_anode_amps, ampere),
        ("direct current out", l.dc_amps, ampere),
        ("least current", l.least_amps, ampere),
        ("greatest current", l.most_amps, ampere),
    ]
    .into_iter()
    .filter_map(|(of, value, (unit, symbol))| {
        let value = value?;
        let printed = match unit {
            Unit::Volt | Unit::Watt => plain(value, symbol),
            _ => engineering(value, unit),
        };
        Some(Limit {
            of,
            value,
            unit: symbol,
            printed,
        })
    })
    .collect()
}

fn capacitances(c: &Capacitances) -> Option<CapacitancesOf> {
    (*c != Capacitances::default()).then_some(CapacitancesOf {
        anode_grid: c.anode_grid,
        grid_cathode: c.grid_cathode,
        anode_cathode: c.anode_cathode,
        grid_screen: c.grid_screen,
    })
}

fn point(valve: &ValveType, point: &Point) -> PointOf {
    let law = super::parameters(&valve.model);
    let ours = law.map_or_else(Vec::new, |law| fit::compare(&law, 0, point));
    let published = [
        (point.i_a, Quantity::AnodeCurrent),
        (point.i_s, Quantity::ScreenCurrent),
        (point.gm, Quantity::MutualConductance),
        (point.mu, Quantity::Mu),
        (point.ra, Quantity::AnodeResistance),
        (point.mu_screen, Quantity::MuScreen),
    ];
    let figures = published
        .into_iter()
        .filter_map(|(published, quantity)| {
            let published = published?;
            let residual = ours.iter().find(|r| {
                r.quantity == quantity
                    || (quantity == Quantity::AnodeCurrent && r.quantity == Quantity::CutOff)
            });
            let of = if point.cut_off && quantity == Quantity::AnodeCurrent {
                "Ia, cut-off"
            } else {
                name(quantity)
            };
            let print = |value: f64| match quantity {
                Quantity::MutualConductance => super::conductance(value),
                Quantity::Mu | Quantity::MuScreen => super::factor(value),
                Quantity::AnodeResistance => engineering(value, Unit::Ohm),
                _ => engineering(value, Unit::Ampere),
            };
            let fitted = residual.map(|r| r.fitted);
            Some(Figure {
                of,
                published,
                ours: fitted,
                difference: fitted.map(|fitted| fitted / published - 1.0),
                // Only a point that was fitted can contradict the fit
                contradicted: point.unused.is_none()
                    && residual.is_some_and(fit::Residual::contradicted),
                printed: [
                    print(published),
                    fitted.map_or_else(|| NOTHING.to_owned(), print),
                ],
            })
        })
        .collect();
    PointOf {
        strapped: point.connection == Connection::Strapped,
        v_ak: point.v_ak,
        v_sk: point.v_sk,
        v_gk: point.v_gk,
        figures,
        unused: point.unused.clone(),
        source: SourceOf::from(&point.source),
    }
}

fn name(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::AnodeCurrent | Quantity::CutOff => "Ia",
        Quantity::ScreenCurrent => "Ig2",
        Quantity::MutualConductance => "gm",
        Quantity::Mu => "mu",
        Quantity::AnodeResistance => "ra",
        Quantity::MuScreen => "mu g1-g2",
    }
}

fn drops(valve: &ValveType) -> Vec<DropOf> {
    let ValveModel::Rectifier(law) = &valve.model else {
        return Vec::new();
    };
    let drops = valve.drops.iter();
    drops
        .map(|drop| DropOf {
            volts: drop.voltage,
            amps: drop.current,
            ours: law.drop(drop.current),
            unused: drop.unused.clone(),
            source: SourceOf::from(&drop.source),
        })
        .collect()
}

fn operation(operation: &Operation) -> OperationOf {
    OperationOf {
        filter: match operation.filter {
            Filter::Capacitor => "capacitor",
            Filter::Choke => "choke",
            Filter::Any => "any",
        },
        volts_rms: operation.volts_rms,
        supply_ohms: operation.supply_ohms,
        reservoir: operation.reservoir,
        choke: operation.choke,
        dc_amps: operation.dc_amps,
        dc_volts: operation.dc_volts,
        source: SourceOf::from(&operation.source),
    }
}

/// What the trade warns of, where it applies. Common practice, no source, but for the limits.
fn cautions(valve: &ValveType) -> Vec<String> {
    let mut cautions = Vec::new();
    let limits = &valve.limits;
    let amplifies = matches!(Class::of(valve), Class::Output | Class::Voltage);
    if let Some(joined) = Joined::strapped(valve) {
        let volts = joined.volts_limit().map(|v| plain(v, "V"));
        match (limits.strapped_volts, limits.screen_volts, volts) {
            (None, Some(screen), Some(anode)) if Some(screen) != limits.anode_volts => {
                cautions.push(format!(
                    "Strapped as a triode: no limit is published here; the screen is rated {} and the anode {anode}. Above the screen's figure look for a sheet that permits it.",
                    plain(screen, "V"),
                ));
            }
            _ => {}
        }
        if Class::of(valve) == Class::Output {
            cautions.push("Strapped as a triode: join screen and anode through about 100 Ω at the socket, against parasitic oscillation; add a grid stopper.".to_owned());
        }
    }
    if let (Class::Output, Some(leak)) = (Class::of(valve), limits.grid_leak_fixed) {
        cautions.push(format!(
            "Fixed bias: no more than {} from grid to bias supply, or grid emission runs the valve away.",
            engineering(leak, Unit::Ohm)
        ));
    } else if Class::of(valve) == Class::Output && limits.grid_leak_cathode_bias.is_none() {
        cautions.push("No limit of the grid leak is published here: keep to 100 kΩ with fixed bias and 500 kΩ with cathode bias.".to_owned());
    }
    if amplifies
        && valve
            .heater
            .as_ref()
            .is_some_and(|h| h.heating == models::data::Heating::Direct)
    {
        cautions.push("Directly heated: on alternating current the filament hums; bias is to its centre, by a centre tap or a hum pot.".to_owned());
    }
    if valve.class == ValveKind::Rectifier
        && valve
            .heater
            .as_ref()
            .is_some_and(|h| h.heating == models::data::Heating::Direct)
    {
        cautions.push("Directly heated: full HT stands before the output valves draw current; `gridleak switch-on` tells how much.".to_owned());
    }
    if valve.class == ValveKind::Stabiliser {
        cautions.push("Needs a series resistor, and no more than about 0.1 µF across it, or it relaxes to and fro.".to_owned());
    }
    cautions
}

fn text(valve: &ValveType, answer: &Answer) -> String {
    let mut text = heading(valve, answer);
    text += &pins(answer);
    text += &limits_text(valve, answer);
    text += &capacitances_text(valve);
    text += &points_text(answer);
    text += &unused_text(answer);
    text += &rectifier_text(answer);
    text += &discharge_text(answer);
    text += &noise_text(answer);
    text += &law_text(valve, answer);
    if !answer.near.is_empty() {
        text += "Near-equivalents\n";
        for near in &answer.near {
            text += "  ";
            text += &wrapped(near, 4, WIDTH - 2);
        }
        text.push('\n');
    }
    if !answer.cautions.is_empty() {
        text += "Before you use one\n";
        for caution in &answer.cautions {
            text += "  ";
            text += &wrapped(caution, 4, WIDTH - 2);
        }
        text.push('\n');
    }
    text += &sources(answer);
    text += &format!("Like it: `gridleak valves like {}`\n", answer.name);
    text
}

fn heading(valve: &ValveType, answer: &Answer) -> String {
    let mut text = answer.name.clone();
    if !answer.aliases.is_empty() {
        text += &format!(" (also {})", answer.aliases.join(", "));
    }
    let sections = if answer.sections > 1 {
        format!("{} × ", answer.sections)
    } else {
        String::new()
    };
    let class = match Class::of(valve) {
        Class::Output => ", output",
        Class::Voltage => ", voltage amplifier",
        _ => "",
    };
    text += &format!(
        ": {sections}{}{class}; {}\n",
        answer.kind,
        super::heater(valve.heater.as_ref())
    );
    if !answer.note.is_empty() {
        text += &wrapped(&answer.note, 0, WIDTH);
    }
    text.push('\n');
    text
}

fn pins(answer: &Answer) -> String {
    let Some(base) = &answer.base else {
        return format!("Base {NOTHING}\n\n");
    };
    let mut pins: Vec<String> = answer
        .pins
        .iter()
        .enumerate()
        .map(|(k, pin)| format!("{} {pin}", k + 1))
        .collect();
    if let Some(cap) = &answer.top_cap {
        pins.push(format!("top cap {cap}"));
    }
    let list = if pins.is_empty() {
        NOTHING.to_owned()
    } else {
        pins.join(", ")
    };
    wrapped(&format!("Base {base}; pins: {list}"), 2, WIDTH) + "\n"
}

fn limits_text(valve: &ValveType, answer: &Answer) -> String {
    let mut sheet = Sheet::new(&["limit", "value"]);
    for limit in &answer.limits {
        sheet.row(vec![limit.of.to_owned(), limit.printed.clone()]);
    }
    let of = if valve.sections > 1 {
        ", of one section"
    } else {
        ""
    };
    sheet.print(&format!("Limits ({}){of}", answer.rating), 1)
}

fn capacitances_text(valve: &ValveType) -> String {
    let c = &valve.capacitances;
    if *c == Capacitances::default() {
        return String::new();
    }
    let mut sheet = Sheet::new(&["capacitance", "value"]);
    let mut row = |of: &str, value: f64| {
        if value > 0.0 {
            sheet.row(vec![of.to_owned(), engineering(value, Unit::Farad)]);
        }
    };
    row("anode to grid", c.anode_grid);
    row("grid to cathode", c.grid_cathode);
    row("grid to screen", c.grid_screen);
    row("anode to cathode", c.anode_cathode);
    sheet.print(
        "Capacitances of the valve alone; socket and wiring come on top",
        1,
    )
}

fn volts_of(point: &PointOf) -> Vec<String> {
    let cell = |value: Option<f64>| value.map_or_else(|| NOTHING.to_owned(), |v| plain(v, "V"));
    let how = if point.strapped { "strapped" } else { "normal" };
    vec![
        how.to_owned(),
        cell(point.v_ak),
        cell(point.v_sk),
        cell(point.v_gk),
    ]
}

fn points_text(answer: &Answer) -> String {
    let mut sheet = Sheet::new(&[
        "joined",
        "Va-k",
        "Vg2-k",
        "Vg-k",
        "",
        "published",
        "ours",
        "off by",
        "from",
    ]);
    let sources = source_list(answer);
    for point in answer.points.iter().filter(|p| p.unused.is_none()) {
        for (k, figure) in point.figures.iter().enumerate() {
            let mut cells = if k == 0 {
                volts_of(point)
            } else {
                vec![String::new(); 4]
            };
            let off = figure.difference.map_or_else(
                || NOTHING.to_owned(),
                |d| {
                    format!(
                        "{:+.1} %{}",
                        100.0 * d,
                        if figure.contradicted { " !" } else { "" }
                    )
                },
            );
            cells.push(figure.of.to_owned());
            cells.extend(figure.printed.clone());
            cells.push(off);
            cells.push(if k == 0 {
                number_of(&sources, &point.source)
            } else {
                String::new()
            });
            sheet.row(cells);
        }
    }
    let mut text = sheet.print(
        "Published points the law was fitted to, and what it gives there",
        1,
    );
    if text.is_empty() {
        return text;
    }
    if answer
        .points
        .iter()
        .flat_map(|p| &p.figures)
        .any(|f| f.contradicted)
    {
        text.truncate(text.trim_end().len());
        text += "\n  !: contradicts the others and was outweighed\n\n";
    }
    text
}

fn unused_text(answer: &Answer) -> String {
    let unused: Vec<&PointOf> = answer
        .points
        .iter()
        .filter(|p| p.unused.is_some())
        .collect();
    if unused.is_empty() {
        return String::new();
    }
    let sources = source_list(answer);
    let mut text = "Published, and not fitted to\n".to_owned();
    for point in unused {
        let volts = volts_of(point);
        let volts = volts.iter().skip(1).map(String::as_str).collect::<Vec<_>>();
        let figures: Vec<String> = point
            .figures
            .iter()
            .map(|f| {
                let off = f
                    .difference
                    .map_or_else(String::new, |d| format!(" (ours {:+.1} %)", 100.0 * d));
                format!("{} {}{off}", f.of, f.printed[0])
            })
            .collect();
        let joined = if point.strapped { "strapped, " } else { "" };
        let line = format!(
            "{joined}{}: {}; {} [{}]",
            volts.join(" / "),
            figures.join(", "),
            point.unused.as_deref().unwrap_or(""),
            number_of(&sources, &point.source)
        );
        text += "  ";
        text += &wrapped(&line, 4, WIDTH - 2);
    }
    text.push('\n');
    text
}

fn rectifier_text(answer: &Answer) -> String {
    let sources = source_list(answer);
    let mut sheet = Sheet::new(&["of one anode", "drop", "ours", "from", "fitted to"]);
    for drop in &answer.drops {
        sheet.row(vec![
            engineering(drop.amps, Unit::Ampere),
            plain(drop.volts, "V"),
            engineering(drop.ours, Unit::Volt),
            number_of(&sources, &drop.source),
            if drop.unused.is_none() { "yes" } else { "no" }.to_owned(),
        ]);
    }
    let mut text = sheet.print("Drop, published and ours", 1);
    text.truncate(text.trim_end().len());
    if !text.is_empty() {
        text.push('\n');
    }
    for drop in &answer.drops {
        if let Some(why) = &drop.unused {
            text += "  ";
            text += &wrapped(
                &format!("{} not used: {why}", plain(drop.volts, "V")),
                4,
                WIDTH - 2,
            );
        }
    }
    if !text.is_empty() {
        text.push('\n');
    }
    let mut sheet = Sheet::new(&[
        "input",
        "volts rms, an anode",
        "resistance, an anode",
        "reservoir",
        "choke",
        "out",
        "at",
        "from",
    ]);
    for row in &answer.operations {
        sheet.row(vec![
            row.filter.to_owned(),
            or_nothing(row.volts_rms, Unit::Volt),
            or_nothing(row.supply_ohms, Unit::Ohm),
            or_nothing(row.reservoir, Unit::Farad),
            or_nothing(row.choke, Unit::Henry),
            or_nothing(row.dc_volts, Unit::Volt),
            or_nothing(row.dc_amps, Unit::Ampere),
            number_of(&sources, &row.source),
        ]);
    }
    text += &sheet.print(
        "Published operations, stored to be predicted and not fitted to",
        1,
    );
    text
}

fn discharge_text(answer: &Answer) -> String {
    answer.discharge.as_ref().map_or_else(String::new, |d| {
        format!(
            "Keeps {} at {}, slope {}; strikes at {}\n\n",
            plain(d.volts, "V"),
            engineering(d.amps, Unit::Ampere),
            engineering(d.slope_ohms, Unit::Ohm),
            d.strike_volts
                .map_or_else(|| NOTHING.to_owned(), |v| plain(v, "V")),
        )
    })
}

fn noise_text(answer: &Answer) -> String {
    answer
        .grid_noise
        .as_ref()
        .map_or_else(String::new, |noise| {
            format!(
                "Noise at the grid {} from {} to {}: {}\n\n",
                engineering(noise.volts, Unit::Volt),
                engineering(noise.from, Unit::Hertz),
                engineering(noise.to, Unit::Hertz),
                noise.source
            )
        })
}

fn law_text(valve: &ValveType, answer: &Answer) -> String {
    let mut text = format!("Law: {}\n", answer.law);
    if !answer.parameters.is_empty() {
        let list: Vec<String> = answer
            .parameters
            .iter()
            .map(|p| format!("{} {}", p.name, significant(p.value)))
            .collect();
        text += "  ";
        text += &wrapped(&list.join(", "), 2, WIDTH - 2);
    }
    if let Some(median) = answer.fit_current_median {
        let worst = |value: Option<f64>| {
            value.map_or_else(|| NOTHING.to_owned(), |v| format!("{:.1} %", 100.0 * v))
        };
        text += &format!(
            "  against its own points: currents {:.1} % in the median, {} at worst; gm and mu {} at worst\n",
            100.0 * median,
            worst(answer.fit_current_worst),
            worst(answer.fit_slope_worst),
        );
        let used = answer.points.iter().filter(|p| p.unused.is_none()).count();
        let points = if used == 1 { "point" } else { "points" };
        text += "  ";
        text += &wrapped(
            &format!(
                "{used} {points} of one bogey valve in use; away from them the law is what physics and the priors make of it, and samples spread ±10 to ±20 % about any sheet."
            ),
            2,
            WIDTH - 2,
        );
    }
    match valve.model {
        ValveModel::Triode(_) | ValveModel::Pentode(_) => {
            text += "  assumed: grid current, of its class of valve; no published curve was available\n";
        }
        ValveModel::Rectifier(_) => {
            text += "  assumed: the current follows the 3/2 power of the drop through one published drop\n";
        }
        ValveModel::Stabiliser(_) => {
            text += "  left out: striking, and the jumps of volts of a real discharge\n";
        }
    }
    text.push('\n');
    text
}

/// Six figures, as the file has them.
fn significant(value: f64) -> String {
    let decimals = (5 - value.abs().log10().floor() as i32).clamp(0, 9) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// The sources of a sheet, each once.
fn source_list(answer: &Answer) -> Vec<&SourceOf> {
    let all = std::iter::once(&answer.source)
        .chain(answer.points.iter().map(|p| &p.source))
        .chain(answer.drops.iter().map(|d| &d.source))
        .chain(answer.operations.iter().map(|o| &o.source));
    let mut list: Vec<&SourceOf> = Vec::new();
    for source in all {
        if !list.iter().any(|known| same(known, source)) {
            list.push(source);
        }
    }
    list
}

fn same(a: &SourceOf, b: &SourceOf) -> bool {
    a.text == b.text && a.basis == b.basis && a.confidence == b.confidence
}

fn number_of(list: &[&SourceOf], source: &SourceOf) -> String {
    let at = list.iter().position(|known| same(known, source));
    at.map_or_else(|| NOTHING.to_owned(), |k| (k + 1).to_string())
}

fn sources(answer: &Answer) -> String {
    let mut text = "Sources\n".to_owned();
    for (k, source) in source_list(answer).into_iter().enumerate() {
        let basis = match source.basis.as_str() {
            "page" => "read on the page",
            "memory" => "not checked",
            other => other,
        };
        let confidence = source
            .confidence
            .as_ref()
            .map_or_else(String::new, |c| format!(", confidence {c}"));
        let line = format!("{} {} ({basis}{confidence})", k + 1, source.text);
        text += "  ";
        text += &wrapped(&line, 4, WIDTH - 2);
    }
    text.push('\n');
    text
}
