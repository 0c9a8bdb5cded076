//! Chromium by the WebDriver protocol, as much of it as the checks need.
//!
//! Source    W3C WebDriver; the parts named `goog` are those of ChromeDriver

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;

/// Names Chromium goes by.
const BROWSERS: [&str; 3] = ["chromium", "chromium-browser", "google-chrome"];

/// The key under which the protocol hands out an element.
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// How long anything may take on a busy machine.
const PATIENCE: Duration = Duration::from_mins(1);

/// A browser with one window.
pub(crate) struct Browser {
    driver: Child,
    port: u16,
    session: String,
    profile: TempDir,
}

fn answers(program: &str) -> bool {
    Command::new(program)
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}

impl Browser {
    /// Opens one; none where there is none to be had, unless `GRIDLEAK_BROWSER=required`.
    pub(crate) fn open() -> Option<Self> {
        let browser = BROWSERS.into_iter().find(|name| answers(name));
        let (Some(browser), true) = (browser, answers("chromedriver")) else {
            let required = std::env::var("GRIDLEAK_BROWSER").is_ok_and(|value| value == "required");
            assert!(
                !required,
                "chromium and chromedriver are required and not here"
            );
            #[allow(clippy::print_stdout, reason = "what is passed over is told")]
            let tell = || {
                println!(
                    "chromium and chromedriver are not here: the page was not tried in a browser"
                );
            };
            tell();
            return None;
        };
        let port = TcpListener::bind("127.0.0.1:0")
            .and_then(|listener| listener.local_addr())
            .expect("a free port")
            .port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("it answered before");
        let profile = tempfile::tempdir().expect("a temporary folder");
        let mut opened = Self {
            driver,
            port,
            session: String::new(),
            profile,
        };
        let began = Instant::now();
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(began.elapsed() < PATIENCE, "chromedriver does not listen");
            std::thread::sleep(Duration::from_millis(50));
        }
        let profile = opened.profile.path().display();
        let session = opened.ask(
            "POST",
            "/session",
            &json!({ "capabilities": { "alwaysMatch": {
                "goog:loggingPrefs": { "browser": "ALL", "performance": "ALL" },
                "goog:chromeOptions": {
                    "binary": which(browser),
                    "args": [
                        "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                        "--disable-background-networking", "--disable-component-update", "--disable-sync",
                        "--disable-dev-shm-usage",
                        "--window-size=1100,1500", "about:blank", format!("--user-data-dir={profile}"),
                    ],
                },
            } } }),
        );
        opened.session = format!(
            "/session/{}",
            session["sessionId"].as_str().expect("a session")
        );
        Some(opened)
    }

    /// Sends a command of the protocol and gives its value.
    fn ask(&self, method: &str, path: &str, body: &Value) -> Value {
        let mut stream =
            TcpStream::connect(("127.0.0.1", self.port)).expect("chromedriver listens");
        stream.set_read_timeout(Some(PATIENCE)).expect("a timeout");
        let body = if method == "POST" {
            body.to_string()
        } else {
            String::new()
        };
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nContent-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
            self.port,
            body.len()
        )
        .expect("chromedriver reads");
        let mut reader = BufReader::new(stream);
        let mut length = 0;
        loop {
            let mut line = String::new();
            reader.read_line(&mut line).expect("a header");
            let line = line.trim().to_ascii_lowercase();
            if line.is_empty() {
                break;
            }
            if let Some(number) = line.strip_prefix("content-length:") {
                length = number.trim().parse().expect("a length");
            }
        }
        let mut answer = vec![0; length];
        reader.read_exact(&mut answer).expect("the answer");
        let answer: Value = serde_json::from_slice(&answer).expect("JSON");
        let error = &answer["value"]["error"];
        assert!(
            error.is_null(),
            "{method} {path}: {}",
            answer["value"]["message"]
        );
        answer["value"].clone()
    }

    fn post(&self, what: &str, body: &Value) -> Value {
        self.ask("POST", &format!("{}{what}", self.session), body)
    }

    fn get(&self, what: &str) -> Value {
        self.ask("GET", &format!("{}{what}", self.session), &Value::Null)
    }

    /// Runs this script in every page before its own.
    pub(crate) fn before_each_page(&self, script: &str) {
        self.devtools(
            "Page.addScriptToEvaluateOnNewDocument",
            &json!({ "source": script }),
        );
    }

    /// A command of the browser's own protocol.
    pub(crate) fn devtools(&self, command: &str, parameters: &Value) -> Value {
        self.post(
            "/goog/cdp/execute",
            &json!({ "cmd": command, "params": parameters }),
        )
    }

    /// Opens a page anew and waits until its body says that it is ready.
    pub(crate) fn load(&self, address: &str) {
        // The same address with another fragment is no new page to a browser.
        self.post("/url", &json!({ "url": "about:blank" }));
        self.post("/url", &json!({ "url": address }));
        self.wait("document.body.dataset.ready === 'true'");
    }

    /// What a script returns.
    pub(crate) fn run(&self, script: &str) -> Value {
        self.post("/execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// Waits for an expression to become true.
    pub(crate) fn wait(&self, expression: &str) {
        let began = Instant::now();
        while self.run(&format!("return Boolean({expression})")) != json!(true) {
            assert!(
                began.elapsed() < PATIENCE,
                "it never came about: {expression}"
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn elements(&self, selector: &str) -> Vec<String> {
        let found = self.post(
            "/elements",
            &json!({ "using": "css selector", "value": selector }),
        );
        let found = found.as_array().expect("a list");
        let name = |element: &Value| element[ELEMENT].as_str().expect("an element").to_owned();
        found.iter().map(name).collect()
    }

    /// Clicks the one element of a selector, as a mouse would.
    pub(crate) fn click(&self, selector: &str) {
        let found = self.elements(selector);
        assert_eq!(found.len(), 1, "one element is {selector}");
        self.post(&format!("/element/{}/click", found[0]), &json!({}));
    }

    /// The text a reader sees in the one element of a selector.
    pub(crate) fn text(&self, selector: &str) -> String {
        let found = self.elements(selector);
        assert_eq!(found.len(), 1, "one element is {selector}");
        let text = self.get(&format!("/element/{}/text", found[0]));
        text.as_str().expect("text").to_owned()
    }

    /// What a screen reader would call each element of a selector.
    pub(crate) fn labels(&self, selector: &str) -> Vec<String> {
        let label = |element: &String| {
            let label = self.get(&format!("/element/{element}/computedlabel"));
            label.as_str().expect("text").to_owned()
        };
        self.elements(selector).iter().map(label).collect()
    }

    /// Presses keys together, the last one last.
    pub(crate) fn press(&self, keys: &[&str]) {
        let mut steps: Vec<Value> = keys
            .iter()
            .map(|key| json!({ "type": "keyDown", "value": key }))
            .collect();
        steps.extend(
            keys.iter()
                .rev()
                .map(|key| json!({ "type": "keyUp", "value": key })),
        );
        self.post(
            "/actions",
            &json!({ "actions": [{ "type": "key", "id": "keys", "actions": steps }] }),
        );
    }

    /// Messages of the console since the last call.
    pub(crate) fn console(&self) -> Vec<String> {
        let log = self.post("/se/log", &json!({ "type": "browser" }));
        let log = log.as_array().expect("a list");
        log.iter()
            .map(|entry| entry["message"].to_string())
            .collect()
    }

    /// Addresses that pages from files asked for since the last call; the browser's own pages ask for much.
    pub(crate) fn requests(&self) -> Vec<String> {
        let log = self.post("/se/log", &json!({ "type": "performance" }));
        let message = |entry: &Value| -> Value {
            serde_json::from_str(entry["message"].as_str().expect("text")).expect("JSON")
        };
        log.as_array()
            .expect("a list")
            .iter()
            .map(message)
            .map(|message| message["message"].clone())
            .filter(|message| message["method"] == "Network.requestWillBeSent")
            .map(|message| message["params"].clone())
            .filter(|of| {
                of["documentURL"]
                    .as_str()
                    .is_some_and(|page| page.starts_with("file:"))
            })
            .map(|of| of["request"]["url"].as_str().expect("text").to_owned())
            .collect()
    }

    /// Writes what the window shows into the folder named by `GRIDLEAK_SCREENSHOTS`, if it is set.
    pub(crate) fn screenshot(&self, name: &str) {
        let Ok(folder) = std::env::var("GRIDLEAK_SCREENSHOTS") else {
            return;
        };
        let picture = self.get("/screenshot");
        let picture = decode(picture.as_str().expect("text"));
        std::fs::write(Path::new(&folder).join(name), picture).expect("it can be written");
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Where the browser is gone already there is nothing to close; a failed check is what should be seen.
        if let Ok(mut stream) = TcpStream::connect(("127.0.0.1", self.port)) {
            let _ = write!(
                stream,
                "DELETE {} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 0\r\n\r\n",
                self.session
            );
            let _ = stream.set_read_timeout(Some(Duration::from_secs(10)));
            let _ = stream.read(&mut [0; 256]);
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// Where a program lies on the search path.
fn which(program: &str) -> String {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .map(|folder| folder.join(program))
        .find(|place| place.is_file())
        .map_or_else(|| program.to_owned(), |place| place.display().to_string())
}

/// Base64, RFC 4648.
fn decode(text: &str) -> Vec<u8> {
    let digit = |c: u8| match c {
        b'A'..=b'Z' => u32::from(c - b'A'),
        b'a'..=b'z' => u32::from(c - b'a') + 26,
        b'0'..=b'9' => u32::from(c - b'0') + 52,
        b'+' => 62,
        _ => 63,
    };
    let text = text.trim_end_matches('=').as_bytes();
    let mut bytes = Vec::new();
    for four in text.chunks(4) {
        let bits = four.iter().fold(0, |bits, &c| bits << 6 | digit(c));
        let bits = bits << (6 * (4 - four.len()));
        bytes.extend(&bits.to_be_bytes()[1..four.len()]);
    }
    bytes
}
