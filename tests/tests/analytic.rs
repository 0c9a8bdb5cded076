//! Circuits with a closed form, by every method, and the order of every method.

#![allow(clippy::print_stdout, reason = "the observed orders are worth reading")]

use std::f64::consts::TAU;

use checks::examples::EXAMPLES;
use models::core::Core;
use models::rectifier::Rectifier;
use models::{Device, Local};
use sim::newton::newton;
use sim::operating_point::operating_point;
use sim::parts::{Inductor, Part, Source, Waveform};
use sim::system::{Formula, Unknown, Workspace};
use sim::transient::{Method, transient};
use sim::{Circuit, NodeId, System, Tolerances};

fn source(waveform: Waveform) -> Part {
    Part::Source(Source {
        waveform,
        resistance: 0.0,
    })
}

fn sine(amplitude: f64, frequency: f64) -> Waveform {
    Waveform::Sine {
        amplitude,
        frequency,
        phase: 0.0,
        offset: 0.0,
    }
}

/// A circuit of parts between numbered nodes, 0 the chassis.
fn circuit(parts: &[(&str, Part, [usize; 2])]) -> Circuit {
    let mut circuit = Circuit::new();
    for (name, part, at) in parts {
        let nodes: Vec<NodeId> = at
            .iter()
            .map(|&k| {
                if k == 0 {
                    NodeId::CHASSIS
                } else {
                    circuit.node(&format!("n{k}"))
                }
            })
            .collect();
        circuit
            .add(name, part.clone(), &nodes)
            .expect("a well-formed circuit");
    }
    circuit
}

fn volts(circuit: &Circuit, system: &System, node: usize) -> usize {
    let id = circuit
        .find_node(&format!("n{node}"))
        .expect("a known node");
    system.voltage_of(id) as usize
}

/// Largest difference to `exact` on the grid, after `start` has set the unknowns.
fn worst(
    system: &System,
    method: Method,
    (until, steps): (f64, u32),
    start: impl Fn(&mut Workspace) -> bool,
    figure: impl Fn(&[f64]) -> f64,
    exact: impl Fn(f64) -> f64,
) -> f64 {
    let mut ws = system.workspace();
    let at_rest = start(&mut ws);
    let mut worst = 0.0_f64;
    transient(
        system,
        method,
        (0.0, until, until / f64::from(steps)),
        at_rest,
        &Tolerances::reference(),
        &mut ws,
        &mut |t: f64, x: &[f64]| worst = worst.max((figure(x) - exact(t)).abs()),
    )
    .expect("a linear circuit can be followed");
    worst
}

/// 1 kΩ and 0.1 µF on a 1 V, 1 kHz sine from rest.
fn rc() -> (System, usize) {
    let circuit = circuit(&[
        ("U1", source(sine(1.0, 1000.0)), [1, 0]),
        ("R1", Part::resistor(1e3), [1, 2]),
        ("C1", Part::capacitor(1e-7), [2, 0]),
    ]);
    let system = System::of(&circuit).expect("a well-formed circuit");
    let at = volts(&circuit, &system, 2);
    (system, at)
}

fn rc_exact(t: f64) -> f64 {
    let (w, tau) = (TAU * 1000.0, 1e-4);
    let a = w * tau;
    ((w * t).sin() - a * (w * t).cos() + a * (-t / tau).exp()) / (1.0 + a * a)
}

/// 50 Ω, 10 mH, 1 µF in series on a 1 V, 800 Hz sine from rest; the capacitor's voltage.
fn rlc() -> (System, usize) {
    let circuit = circuit(&[
        ("U1", source(sine(1.0, 800.0)), [1, 0]),
        ("R1", Part::resistor(50.0), [1, 2]),
        ("L1", Part::inductor(0.01, 0.0), [2, 3]),
        ("C1", Part::capacitor(1e-6), [3, 0]),
    ]);
    let system = System::of(&circuit).expect("a well-formed circuit");
    let at = volts(&circuit, &system, 3);
    (system, at)
}

fn rlc_exact(t: f64) -> f64 {
    let (r, l, c, w) = (50.0, 0.01, 1e-6, TAU * 800.0);
    // Steady part A sin wt + B cos wt of LC v'' + RC v' + v = sin wt
    let (p, q) = (1.0 - w * w * l * c, w * r * c);
    let (a, b) = (p / (p * p + q * q), -q / (p * p + q * q));
    // Free part from v(0) = 0, v'(0) = 0
    let s = r / (2.0 * l);
    let wd = (1.0 / (l * c) - s * s).sqrt();
    let c1 = -b;
    let c2 = (-a * w + s * c1) / wd;
    a * (w * t).sin()
        + b * (w * t).cos()
        + (-s * t).exp() * (c1 * (wd * t).cos() + c2 * (wd * t).sin())
}

/// 0.1 µF at 100 V discharging through a Child-law diode:  C v' = −K v^{3/2}.
fn child() -> (System, usize) {
    let circuit = circuit(&[
        ("D1", Part::Device(Rectifier::child(CHILD_K).into()), [1, 0]),
        ("C1", Part::capacitor(1e-7), [1, 0]),
    ]);
    let system = System::of(&circuit).expect("a well-formed circuit");
    let at = volts(&circuit, &system, 1);
    (system, at)
}

const CHILD_K: f64 = 1e-5;

fn child_exact(t: f64) -> f64 {
    (0.1 + CHILD_K * t / (2.0 * 1e-7)).powi(-2)
}

fn rest(_: &mut Workspace) -> bool {
    true
}

/// Errors allowed at 400 steps over 2 ms (80 a cycle): the first term of the error of a rule of order 2,
/// (w h)²/12 of the amplitude and its multiples, and for order 5 that of (w h)⁵.
fn allowed(method: Method) -> f64 {
    match method {
        Method::TrBdf2 => 1.5e-3,
        Method::Trapezoidal => 3e-3,
        Method::RadauIia5 => 1e-7,
    }
}

#[test]
fn rc_follows_its_closed_form() {
    let (system, at) = rc();
    for method in Method::ALL {
        let error = worst(&system, method, (2e-3, 400), rest, |x| x[at], rc_exact);
        assert!(error < allowed(method), "{method:?}: {error:.1e}");
    }
}

#[test]
fn rlc_follows_its_closed_form() {
    let (system, at) = rlc();
    for method in Method::ALL {
        let error = worst(&system, method, (2e-3, 400), rest, |x| x[at], rlc_exact);
        assert!(error < allowed(method), "{method:?}: {error:.1e}");
    }
}

#[test]
fn child_law_diode_discharges_as_calculated() {
    let (system, at) = child();
    for method in Method::ALL {
        let start = |ws: &mut Workspace| {
            ws.x[at] = 100.0;
            false
        };
        let error = worst(&system, method, (1e-3, 400), start, |x| x[at], child_exact) / 100.0;
        assert!(error < allowed(method), "{method:?}: {error:.1e}");
    }
}

#[test]
fn child_law_diode_at_rest_solves_its_cubic() {
    // 100 V through 10 kΩ: with u = √v, R K u³ + u² = V; R K = 0.1 gives u ≈ 7.6.
    let circuit = circuit(&[
        ("U1", source(Waveform::Dc(100.0)), [1, 0]),
        ("R1", Part::resistor(1e4), [1, 2]),
        ("D1", Part::Device(Rectifier::child(CHILD_K).into()), [2, 0]),
    ]);
    let system = System::of(&circuit).expect("a well-formed circuit");
    let mut ws = system.workspace();
    operating_point(&system, &Tolerances::reference(), &mut ws).expect("one diode settles");
    let mut u = 7.6_f64;
    for _ in 0..50 {
        u -= (0.1 * u.powi(3) + u * u - 100.0) / (0.3 * u * u + 2.0 * u);
    }
    let v = ws.x[volts(&circuit, &system, 2)];
    assert!((v - u * u).abs() < 1e-9, "{v} is not {}", u * u);
}

#[test]
fn saturating_inductor_draws_its_magnetising_current() {
    // 10 H, saturating at 0.5 Wb, on 200 V at 50 Hz: λ = ∫v dt, so i = i_m(V/w·(1 − cos wt)).
    let core = Core::saturating(10.0, 0.5);
    let w = TAU * 50.0;
    let current = |t: f64| {
        let (mut f, mut df) = ([0.0], [0.0]);
        let lambda = 200.0 / w * (1.0 - (w * t).cos());
        core.eval(
            &[lambda],
            &[],
            &mut Local {
                f: &mut f,
                df: &mut df,
            },
        );
        f[0]
    };
    let circuit = circuit(&[
        ("U1", source(sine(200.0, 50.0)), [1, 0]),
        (
            "L1",
            Part::Inductor(Inductor {
                core: core.clone(),
                linear: None,
                // A winding without any would close a loop without resistance with the source.
                resistance: 1e-9,
                capacitance: 0.0,
                capacitance_loss: 0.0,
                loss: f64::INFINITY,
                stray: None,
            }),
            [1, 0],
        ),
    ]);
    let system = System::of(&circuit).expect("a well-formed circuit");
    let l1 = circuit.find_part("L1").expect("listed");
    let at = system.currents_of(l1)[0] as usize;
    // The peak flux is 1.27 Wb, 2.5 times the knee: the current peaks far above the linear 0.13 A.
    assert!(current(0.01) > 0.5);
    for method in Method::ALL {
        let error = worst(&system, method, (0.04, 1600), rest, |x| x[at], current) / current(0.01);
        assert!(error < allowed(method), "{method:?}: {error:.1e}");
    }
}

/// log2 of the ratio of errors at a step and at half of it.
fn observed_order(error: impl Fn(u32) -> f64, steps: u32) -> f64 {
    (error(steps) / error(2 * steps)).log2()
}

#[test]
fn every_method_has_its_order() {
    // Steps coarse enough that rounding does not show, fine enough that the first error term rules.
    for method in Method::ALL {
        let fine = if method == Method::RadauIia5 { 1 } else { 16 };
        let (system, at) = rc();
        let order = observed_order(
            |steps| worst(&system, method, (2e-3, steps), rest, |x| x[at], rc_exact),
            80 * fine,
        );
        check_order(method, "RC", order);
        let (system, at) = rlc();
        let order = observed_order(
            |steps| worst(&system, method, (2e-3, steps), rest, |x| x[at], rlc_exact),
            80 * fine,
        );
        check_order(method, "RLC", order);
        let (system, at) = child();
        let start = |ws: &mut Workspace| {
            ws.x[at] = 100.0;
            false
        };
        let order = observed_order(
            |steps| {
                worst(
                    &system,
                    method,
                    (1e-3, steps),
                    start,
                    |x| x[at],
                    child_exact,
                )
            },
            40 * fine,
        );
        check_order(method, "Child-law discharge", order);
    }
}

fn check_order(method: Method, problem: &str, observed: f64) {
    println!("{method:?}, {problem}: order {observed:.3}");
    let stated = f64::from(method.order());
    assert!(
        (observed - stated).abs() < 0.1,
        "{method:?}, {problem}: order {observed:.3}"
    );
}

/// A step of the default tolerances may be wrong by 1e-4 of the volts and a millivolt (`Tolerances::default`).
fn tolerated(volts: f64) -> f64 {
    1e-4 * volts.abs() + 1e-3
}

#[test]
fn steps_are_as_fine_as_their_tolerance_asks_and_no_finer() {
    // 100 V on 0.1 µF discharge through 1 kΩ, followed on a grid of a whole time constant. The error of a step decays
    // as the volts do, so that the worst is some steps' worth: a tolerance a hundred times wider would be seen.
    const TAU_RC: f64 = 1e-4;
    let circuit = circuit(&[
        ("R1", Part::resistor(1e3), [1, 0]),
        ("C1", Part::capacitor(1e-7), [1, 0]),
    ]);
    let system = System::of(&circuit).expect("a well-formed circuit");
    let at = volts(&circuit, &system, 1);
    for method in [Method::TrBdf2, Method::Trapezoidal] {
        let mut ws = system.workspace();
        ws.x[at] = 100.0;
        let tolerances = Tolerances {
            halvings: 14,
            ..Tolerances::default()
        };
        let mut worst = 0.0_f64;
        transient(
            &system,
            method,
            (0.0, 10.0 * TAU_RC, TAU_RC),
            false,
            &tolerances,
            &mut ws,
            &mut |t: f64, x: &[f64]| {
                let exact = 100.0 * (-t / TAU_RC).exp();
                worst = worst.max((x[at] - exact).abs() / tolerated(exact));
            },
        )
        .expect("a linear circuit can be followed");
        let steps = ws.counts.steps;
        println!("{method:?}: {worst:.2} of the tolerance in {steps} steps");
        assert!(worst < MOST_OF_TOLERANCE, "{method:?}: {worst}");
        assert!(steps < MOST_STEPS, "{method:?}: {steps} steps");
    }
}

#[test]
fn the_first_step_after_a_jump_is_judged_too() {
    // A square wave of 100 V into 1 kΩ and 0.1 µF, its half period a whole number of grid steps of one time constant:
    // v → ±100 V·(1 − 2·e^(−t/τ)/(1 + e^(−T/2τ))) once settled, from 0 V: the first half is 100 V·(1 − e^(−t/τ)).
    const TAU_RC: f64 = 1e-4;
    let circuit = circuit(&[
        (
            "B1",
            source(Waveform::Square {
                amplitude: 100.0,
                frequency: 1.0 / (40.0 * TAU_RC),
            }),
            [1, 0],
        ),
        ("R1", Part::resistor(1e3), [1, 2]),
        ("C1", Part::capacitor(1e-7), [2, 0]),
    ]);
    let system = System::of(&circuit).expect("a well-formed circuit");
    let at = volts(&circuit, &system, 2);
    for method in [Method::TrBdf2, Method::Trapezoidal] {
        let mut ws = system.workspace();
        let mut worst = 0.0_f64;
        transient(
            &system,
            method,
            (0.0, 60.0 * TAU_RC, TAU_RC),
            true,
            &Tolerances {
                halvings: 14,
                ..Tolerances::default()
            },
            &mut ws,
            &mut |t: f64, x: &[f64]| {
                // Every half period goes on from where the last one led.
                let half = 20.0 * TAU_RC;
                let (mut exact, mut left, mut sign) = (0.0, t, 1.0);
                while left > 0.0 {
                    let fade = (-f64::min(left, half) / TAU_RC).exp();
                    exact = 100.0 * sign + (exact - 100.0 * sign) * fade;
                    (left, sign) = (left - half, -sign);
                }
                worst = worst.max((x[at] - exact).abs() / tolerated(exact));
            },
        )
        .expect("a linear circuit can be followed");
        println!(
            "{method:?}: {worst:.2} of the tolerance in {} steps",
            ws.counts.steps
        );
        assert!(worst < MOST_OF_TOLERANCE, "{method:?}: {worst}");
    }
}

/// Errors of about as many steps as fit into a time constant add up.
const MOST_OF_TOLERANCE: f64 = 10.0;

/// The error of a step h is 0.04 to 0.083 (h/τ)³ of the volts: 1e-4 of them at h = τ/9 at most, 90 steps of ten time
/// constants; steps are halves of halves, and begin finer.
const MOST_STEPS: u64 = 400;

#[test]
fn newtons_iteration_ends_within_its_tolerance() {
    // Steps of an overdriven amplifier, each solved from the last as a run does, and from its own answer on a
    // hundred times more exactly: the two lie no further apart than the first was asked for.
    let example = EXAMPLES[2];
    let opened = example.open(&[]);
    let system = &opened.system;
    let tolerances = Tolerances::default();
    let mut ws = opened.driven(example.overdrive).expect("it rests");
    let h = opened.cycle() / 64.0;
    let alpha = 1.0 / h;
    let n = system.len();
    let (mut worst, mut compared) = (0.0_f64, 0);
    for k in 1..=256 {
        // C·dx/dt by the first backward difference.
        let mut past = vec![0.0; n];
        for &(row, column, c) in system.stored() {
            past[row as usize] -= alpha * c * ws.x[column as usize];
        }
        system.sources_into(f64::from(k) * h, 1.0, &ws.waveforms, &mut past);
        let formula = Formula::new(alpha, &past);
        system.set_tolerances(&tolerances, &mut ws);
        if !newton(system, formula, &mut ws).converged() {
            // A run would halve it.
            continue;
        }
        let mut exact = ws.clone();
        system.set_tolerances(&tolerances.closer(1e-2), &mut exact);
        if !newton(system, formula, &mut exact).converged() {
            // A hundred times more exactly is more than rounding leaves here and there.
            continue;
        }
        compared += 1;
        for (unknown, (x, exact)) in system.unknowns().iter().zip(ws.x.iter().zip(&exact.x)) {
            let absolute = match unknown {
                Unknown::Voltage(_) | Unknown::Inside(_) => tolerances.newton_volts,
                Unknown::Current(..) => tolerances.newton_amps,
                Unknown::Flux(_) => tolerances.newton_webers,
            };
            let held = tolerances.newton_relative * exact.abs() + absolute;
            worst = worst.max((x - exact).abs() / held);
        }
    }
    println!("{worst:.3} of the tolerance in {compared} steps");
    assert!(worst < 10.0, "{worst}");
    assert!(compared > 200, "{compared} steps");
}

#[test]
fn steps_that_are_taken_whatever_their_error_are_counted() {
    // RC and steps of a whole time constant that may not be halved: each is off by 0.04 of its volts and more, four
    // hundred times what is allowed. Halved as often as they ask, none is.
    let discharge = circuit(&[
        ("C1", Part::capacitor(1e-6), [1, 0]),
        ("R1", Part::resistor(1e3), [1, 0]),
    ]);
    let system = System::of(&discharge).expect("well formed");
    let at = volts(&discharge, &system, 1);
    for (halvings, forced) in [(0, 3), (12, 0)] {
        let tolerances = Tolerances {
            halvings,
            ..Tolerances::default()
        };
        let mut ws = system.workspace();
        ws.x[at] = 100.0;
        transient(
            &system,
            Method::TrBdf2,
            (0.0, 3e-3, 1e-3),
            false,
            &tolerances,
            &mut ws,
            &mut |_: f64, _: &[f64]| (),
        )
        .expect("a linear circuit can be followed");
        assert_eq!(ws.counts.forced, forced, "{halvings} halvings");
    }
}
