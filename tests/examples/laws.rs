//! Writes how laws and expectations compare on the published operations to `tests/published/laws.md`:
//! `cargo run --release -p checks --example laws`, from the root of the workspace. A minute of both cores.

#![allow(
    clippy::disallowed_methods,
    reason = "an example program writes its page"
)]

fn main() {
    std::fs::write("tests/published/laws.md", checks::published::laws::page())
        .expect("run from the root of the workspace");
}
