//! What the processor spent on programs that were run.

use std::fs;

/// Ticks of `/proc` in a second, on every Linux. Source   proc(5), `sysconf(_SC_CLK_TCK)` (from memory)
const TICKS: f64 = 100.0;

/// CPU seconds, in user and kernel, of all children that have ended; none where there is no `/proc`.
///
/// Source   proc(5), `/proc/pid/stat`: cutime and cstime are fields 16 and 17 (from memory)
pub fn spent_by_children() -> Option<f64> {
    spent("self", 16)
}

/// CPU seconds, in user and kernel, of all threads of this process; none where there is no `/proc`.
///
/// Source   proc(5), `/proc/pid/stat`: utime and stime are fields 14 and 15 (from memory)
pub fn spent_by_itself() -> Option<f64> {
    spent("self", 14)
}

/// As [`spent_by_itself`] of another process; none where it has ended.
pub fn spent_by(process: u32) -> Option<f64> {
    spent(&process.to_string(), 14)
}

/// That field and the next, s; field 2, the name, may hold spaces, so they are counted from the third.
fn spent(process: &str, field: usize) -> Option<f64> {
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    let behind_the_name = &stat[stat.rfind(')')? + 1..];
    let ticks = behind_the_name.split_whitespace().skip(field - 3).take(2);
    let ticks: Option<Vec<f64>> = ticks.map(|ticks| ticks.parse().ok()).collect();
    Some(ticks?.iter().sum::<f64>() / TICKS)
}
