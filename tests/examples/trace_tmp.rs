//! trace
use checks::examples::Opened;
use measure::driven::power::PowerOf;
fn main() {
    rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build_global()
        .ok();
    let path = std::env::args().nth(1).expect("file");
    let opened = Opened::read(&std::fs::read_to_string(path).expect("read"), &[]);
    let t = std::time::Instant::now();
    let of = opened.under_test();
    eprintln!("rest {:?}", t.elapsed());
    let answer = PowerOf::bench(&opened.amplifier.bench).ask_it(&of);
    eprintln!("power {:?} {:?}", t.elapsed(), answer);
}
trait Ask {
    fn ask_it(&self, of: &measure::UnderTest<'_>) -> String;
}
impl Ask for PowerOf {
    fn ask_it(&self, of: &measure::UnderTest<'_>) -> String {
        use measure::Measurement;
        match self.ask(of, &|_| ()) {
            Ok(p) => format!(
                "{} levels rated {:?} one {:?} limits {}",
                p.levels.len(),
                p.rated.map(|l| (l.power, l.thd, l.cycles)),
                p.one_watt.map(|l| l.thd),
                p.limits.len()
            ),
            Err(e) => e.to_string(),
        }
    }
}
