//! A question has one answer, to the last bit, on any number of threads.

use checks::examples::EXAMPLES;

#[test]
fn threads_change_no_bit_of_a_power_report() {
    let opened = EXAMPLES[0].open(&[]);
    let report = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("a pool");
        let power = pool.install(|| opened.ask(&opened.bench()));
        // Shortest decimal that reads back as the same double: equal texts are equal bits.
        serde_json::to_string(&power.expect("a report")).expect("figures")
    };
    let alone = report(1);
    assert!(
        alone.contains("\"rated\":{"),
        "the report has a rated power: {alone}"
    );
    for threads in [4, 4, 3] {
        assert!(
            report(threads) == alone,
            "{threads} threads answer differently from one"
        );
    }
}
