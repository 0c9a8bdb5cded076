//! The commands of the README and of every example, run, and their output compared with what the pages
//! print.
//!
//! A block fenced as `console` holds `$ gridleak …` and the expected standard output; a line `…` stands
//! for any lines. Numbers may differ by one unit of their last printed digit, because the elementary
//! functions of another machine may round otherwise; everything else is compared to the letter.
//! `UPDATE_EXPECTED` has no say here: a page is prose and is mended by hand.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// One command and what the page says it prints.
struct Shown {
    page: PathBuf,
    command: String,
    expected: Vec<String>,
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The folders of `examples/`.
fn examples() -> Vec<PathBuf> {
    let mut folders: Vec<PathBuf> = fs::read_dir(root().join("examples"))
        .expect("there are examples")
        .map(|entry| entry.expect("a readable folder").path())
        .filter(|path| path.is_dir())
        .collect();
    folders.sort();
    folders
}

fn pages() -> Vec<PathBuf> {
    let mut pages = vec![root().join("README.md")];
    pages.extend(examples().iter().map(|folder| folder.join("README.md")));
    pages
}

/// The cells of the rows of all tables of a text with this first head.
fn rows<'a>(text: &'a str, head: &str) -> Vec<Vec<&'a str>> {
    let mut rows = Vec::new();
    let mut inside = false;
    for line in text.lines() {
        let cells: Vec<&str> = line.trim_matches('|').split(" | ").map(str::trim).collect();
        inside = line.starts_with('|') && (inside || cells[0] == head);
        if inside && cells[0] != head && !cells[0].starts_with("---") {
            rows.push(cells);
        }
    }
    rows
}

/// What stands between the first two backticks.
fn code(cell: &str) -> &str {
    cell.split('`').nth(1).unwrap_or_default()
}

/// The help of the program or of one command.
fn help(command: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .args(command)
        .arg("--help")
        .output()
        .expect("the program runs");
    String::from_utf8(output.stdout).expect("the help is text")
}

/// The commands that the help lists.
fn listed(help: &str) -> Vec<&str> {
    let commands = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let commands = commands.take_while(|line| !line.is_empty());
    // What a command answers may go on in the next line, further in.
    let names: Vec<&str> = commands
        .filter_map(|line| line.strip_prefix("  ")?.split(' ').next())
        .filter(|name| !name.is_empty())
        .collect();
    assert!(names.len() > 20, "{names:?}");
    names
}

/// The words of a command; blanks between double quotes belong to one.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in command.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            c => words.last_mut().expect("there is one").push(c),
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

fn shown(page: &Path) -> Vec<Shown> {
    let text = fs::read_to_string(page).unwrap_or_else(|e| panic!("{}: {e}", page.display()));
    let mut shown: Vec<Shown> = Vec::new();
    let mut inside = false;
    for line in text.lines() {
        match (inside, line) {
            (false, "```console") => inside = true,
            (true, "```") => inside = false,
            (true, _) => {
                if let Some(command) = line.strip_prefix("$ ") {
                    shown.push(Shown {
                        page: page.to_owned(),
                        command: command.to_owned(),
                        expected: Vec::new(),
                    });
                } else {
                    let last = shown.last_mut().expect("a block starts with a command");
                    last.expected.push(line.to_owned());
                }
            }
            (false, _) => {}
        }
    }
    shown
}

/// The number at the start of a word and one unit of its last digit.
fn number(word: &str) -> Option<(f64, f64)> {
    let end = word
        .find(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
        .unwrap_or(word.len());
    let digits = &word[..end];
    let value: f64 = digits.parse().ok()?;
    let decimals = digits
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.len());
    // A three-figure number without a point may stand for hundreds rounded to units.
    Some((value, 10_f64.powi(-(decimals as i32))))
}

fn same_word(ours: &str, printed: &str) -> bool {
    match (number(ours), number(printed)) {
        (Some((a, unit_a)), Some((b, unit_b))) => (a - b).abs() <= 1.01 * unit_a.max(unit_b),
        _ => ours == printed,
    }
}

fn same_line(ours: &str, printed: &str) -> bool {
    let (ours, printed): (Vec<_>, Vec<_>) = (
        ours.split_whitespace().collect(),
        printed.split_whitespace().collect(),
    );
    ours.len() == printed.len() && ours.iter().zip(&printed).all(|(a, b)| same_word(a, b))
}

/// The first expected line that does not stand where it should.
fn missing(ours: &[&str], expected: &[String]) -> Option<String> {
    let mut at = 0;
    let mut skipping = false;
    for line in expected {
        if line == "…" {
            skipping = true;
            continue;
        }
        let found = if skipping {
            (at..ours.len()).find(|&k| same_line(ours[k], line))
        } else {
            (at < ours.len() && same_line(ours[at], line)).then_some(at)
        };
        match found {
            Some(k) => at = k + 1,
            None => return Some(line.clone()),
        }
        skipping = false;
    }
    if !skipping && at < ours.len() {
        return Some(format!("(end of output; ours goes on with {:?})", ours[at]));
    }
    None
}

#[test]
fn every_page_prints_what_the_program_prints() {
    let mut faults = Vec::new();
    let mut run = 0;
    for page in pages() {
        let commands = shown(&page);
        assert!(!commands.is_empty(), "{} shows no command", page.display());
        for Shown {
            page,
            command,
            expected,
        } in commands
        {
            let words = words(&command);
            let mut words = words.iter().map(String::as_str);
            assert_eq!(
                words.next(),
                Some("gridleak"),
                "{}: {command}",
                page.display()
            );
            let output = Command::new(env!("CARGO_BIN_EXE_gridleak"))
                .args(words)
                .current_dir(root())
                .output()
                .expect("the program runs");
            assert!(output.status.success(), "{command} failed");
            let text = String::from_utf8(output.stdout).expect("the output is text");
            run += 1;
            if let Some(line) = missing(&text.lines().collect::<Vec<_>>(), &expected) {
                faults.push(format!(
                    "{}: `{command}` does not print\n  {line}",
                    page.display()
                ));
            }
        }
    }
    assert!(
        run >= 7,
        "the README and three examples show at least seven commands, not {run}"
    );
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn every_command_that_answers_is_shown_on_a_page() {
    let shown: Vec<String> = pages()
        .iter()
        .flat_map(|page| shown(page))
        .filter_map(|shown| words(&shown.command).into_iter().nth(1))
        .collect();
    let help = help(&[]);
    for command in listed(&help) {
        // These print text that needs no page.
        let text = ["explain", "completions", "help"].contains(&command);
        assert!(
            text || shown.iter().any(|name| name == command),
            "{command}"
        );
    }
}

#[test]
fn every_command_stands_in_one_row_of_the_readme() {
    /// Words of an answer: more belong to `--help`.
    const WORDS: usize = 15;
    let text = fs::read_to_string(root().join("README.md")).expect("there is a README");
    let rows = rows(&text, "Command");
    let mut told: Vec<&str> = Vec::new();
    for cells in &rows {
        let [command, answer] = cells[..] else {
            panic!("{cells:?}");
        };
        let mut words = code(command).split(' ');
        assert_eq!(words.next(), Some("gridleak"), "{command}");
        let name = words.next().expect("a command");
        told.push(name);
        let count = answer.split_whitespace().count();
        assert!((1..=WORDS).contains(&count), "{name}: {count} words");
        let options = help(&[name]);
        let cell = format!("{command} {answer}");
        for option in cell.split([' ', '`']).filter(|word| word.starts_with('-')) {
            assert!(options.contains(option), "{name} has no {option}");
        }
    }
    let help = help(&[]);
    let mut known = listed(&help);
    known.sort_unstable();
    told.sort_unstable();
    assert_eq!(told, known, "the README's tables and `gridleak --help`");
}

#[test]
fn every_example_stands_in_the_index_with_a_command_of_its_page() {
    let text = fs::read_to_string(root().join("examples/README.md")).expect("there is an index");
    let rows = rows(&text, "Example");
    let folders = examples();
    assert_eq!(rows.len(), folders.len(), "rows of the index");
    for (folder, cells) in folders.iter().zip(&rows) {
        let name = folder
            .file_name()
            .and_then(|name| name.to_str())
            .expect("a name");
        let [link, what, question, command] = cells[..] else {
            panic!("{cells:?}");
        };
        assert_eq!(link, format!("[{name}]({name}/)"));
        assert!(!what.is_empty() && question.ends_with('?'), "{name}");
        let commands = shown(&folder.join("README.md"));
        assert!(
            commands.iter().any(|shown| shown.command == code(command)),
            "{name}: its page does not run {command}"
        );
    }
}

#[test]
fn the_comparison_tells_right_from_wrong() {
    assert!(same_line("  V1  12.7 V", "V1 12.6 V"));
    assert!(!same_line("V1 12.7 V", "V1 12.5 V"));
    assert!(!same_line("V1 12.7 V", "V2 12.7 V"));
    let ours = ["a", "b 1.00", "c"];
    let lines = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(missing(&ours, &lines("a\n…\nc")), None);
    assert_eq!(missing(&ours, &lines("a\n…")), None);
    assert!(missing(&ours, &lines("a")).is_some());
    assert!(missing(&ours, &lines("…\nb 1.02\n…")).is_some());
}

#[test]
fn quoted_blanks_stay_in_a_word() {
    assert_eq!(words("a  --b \"c d = 1\" e"), ["a", "--b", "c d = 1", "e"]);
}

#[test]
fn the_circuit_of_the_readme_reads() {
    let text = fs::read_to_string(root().join("README.md")).expect("there is a README");
    let block = text
        .split("```toml\n")
        .nth(1)
        .and_then(|rest| rest.split("```").next())
        .expect("the README shows an amplifier file");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("amplifier.toml");
    fs::write(&file, block).expect("a writable folder");
    let output = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .arg("voltages")
        .arg(&file)
        .output()
        .expect("the program runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}
