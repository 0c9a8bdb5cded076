//! one level
use checks::examples::Opened;
use measure::driven::power::PowerOf;
fn main() {
    let path = std::env::args().nth(1).expect("file");
    let drive: f64 = std::env::args().nth(2).expect("drive").parse().unwrap();
    let opened = Opened::read(&std::fs::read_to_string(path).expect("read"), &[]);
    let of = opened.under_test();
    eprintln!("BEGIN");
    let l = PowerOf::bench(&opened.amplifier.bench).at_drive(&of, drive).unwrap();
    eprintln!("END {} W thd {} cycles {}", l.power, l.thd, l.cycles);
}
