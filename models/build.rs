//! Embeds every file of `valves/`, so that adding a type is adding one file.

use std::fmt::Write as _;
use std::path::Path;
use std::{env, fs};

#[allow(clippy::disallowed_methods, reason = "a build script reads its folder")]
fn main() {
    let root = env::var("CARGO_MANIFEST_DIR").expect("Cargo sets it for build scripts");
    let folder = Path::new(&root).join("valves");
    println!("cargo:rerun-if-changed={}", folder.display());

    let mut files: Vec<_> = fs::read_dir(&folder)
        .expect("models/valves exists")
        .map(|entry| entry.expect("a readable folder").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .collect();
    files.sort();

    let mut table = String::from("&[\n");
    for path in files {
        let name = path.file_stem().expect("a named file").to_string_lossy();
        let path = path.to_str().expect("a path of plain text");
        writeln!(table, "({name:?}, include_str!({path:?})),").expect("a String takes text");
    }
    table.push(']');
    let out = env::var("OUT_DIR").expect("Cargo sets it for build scripts");
    fs::write(Path::new(&out).join("valves.rs"), table).expect("OUT_DIR is writable");
}
