//! A real Chromium, driven through its own driver; with stand-ins for what a headless one lacks (voices), and with ears
//! for what it plays (the audio graph). Nothing of the page is replaced.

use fantoccini::actions::{InputSource, KeyAction, KeyActions, PointerAction, TouchActions};
use fantoccini::error::CmdError;
use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// Runs before the page's own scripts, in every document:
/// - `heard.said`, `heard.tones`: what was spoken, and every tone that was started, with its time (ms);
/// - `heard.alarms`: when which alarm was seen first;
/// - `cut(true)`: from now on nothing that the program sends reaches the page;
/// - `received`: every message, as text, from when a test sets it to a list;
/// - `journeys`: of every message that was drawn: its age at sending, its way from receipt to drawing (ms).
const EARS: &str = r#"
window.heard = { said: [], tones: [], alarms: [] };
window.journeys = [];
(() => {
  const start = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (...at) {
    heard.tones.push({ frequency: this.frequency.value, at: performance.now(), context: this.context.state });
    return start.apply(this, at);
  };
  let isCut = false;
  window.cut = (on) => { isCut = on; return performance.now(); };
  const Real = window.WebSocket;
  window.WebSocket = class extends Real {
    constructor(...given) {
      super(...given);
      window.lastSocket = this;
      this.arrived = new Map();
    }
    set onmessage(hear) {
      super.onmessage = (event) => {
        if (isCut) return;
        const message = JSON.parse(event.data);
        window.received?.push(message);
        this.arrived.set(message.number, [performance.now(), message.age_ms, message.bins.length]);
        hear(event);
      };
    }
    send(text) {
      const word = JSON.parse(text);
      const [at, age, bins] = this.arrived.get(word.drawn) ?? [];
      if (bins > 0) journeys.push([age, performance.now() - at]);
      this.arrived.delete(word.drawn);
      super.send(text);
    }
  };
  new MutationObserver(() => {
    const alarm = document.getElementById("alarm");
    if (!alarm || alarm.hidden || !alarm.textContent) return;
    const last = heard.alarms.at(-1);
    if (last?.level !== alarm.dataset.level) heard.alarms.push({ level: alarm.dataset.level, text: alarm.textContent, at: performance.now() });
  }).observe(document, { subtree: true, childList: true, attributes: true, characterData: true });
})();
"#;

/// What cannot be read or reached: text that is cut or leads out of the window (but in a table that scrolls by itself), and
/// what can be operated but is covered, whatever is unfolded.
const OUT_OF_REACH: &str = r#"
const wrong = [];
const name = (element) => `${element.tagName} ${element.id} ${element.textContent.trim().slice(0, 40)}`;
const visible = (element) => element.checkVisibility({ visibilityProperty: true });
const wide = document.documentElement.scrollWidth;
if (wide > innerWidth) wrong.push(`the page is ${wide} px wide, the window ${innerWidth}`);
const unfolded = [...document.querySelectorAll("details:not([open])")];
for (const details of unfolded) details.open = true;
for (const element of document.querySelectorAll("body *")) {
  const own = [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
  const onlyHeard = getComputedStyle(element).clipPath !== "none";
  if (!own || !visible(element) || onlyHeard || element.closest(".scroll, svg, option")) continue;
  const box = element.getBoundingClientRect();
  if (box.left < -1 || box.right > innerWidth + 1) wrong.push(`leads out: ${name(element)}`);
  const hides = ["hidden", "clip"].includes(getComputedStyle(element).overflowX);
  if (hides && element.scrollWidth > element.clientWidth + 1) wrong.push(`is cut: ${name(element)}`);
}
for (const element of document.querySelectorAll("button, input, select, summary, a[href]")) {
  if (!visible(element)) continue;
  element.scrollIntoView({ block: "center" });
  const box = element.getBoundingClientRect();
  const hit = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2);
  if (!element.contains(hit)) wrong.push(`is covered by ${hit && name(hit)}: ${name(element)}`);
}
for (const details of unfolded) details.open = false;
scrollTo(0, 0);
return wrong;
"#;

/// A voice of this machine and one of elsewhere: only the first may be used.
const VOICES: &str = r#"
(() => {
  class Utterance { constructor(text) { this.text = text; } }
  const voices = [
    { name: "elsewhere", lang: "en-GB", localService: false },
    { name: "here", lang: "en-GB", localService: true },
  ];
  Object.defineProperty(window, "SpeechSynthesisUtterance", { value: Utterance });
  Object.defineProperty(window, "speechSynthesis", { value: {
    getVoices: () => voices,
    cancel: () => {},
    speak: (words) => heard.said.push({ text: words.text, voice: words.voice?.name ?? "" }),
  } });
})();
"#;

#[derive(Debug)]
struct Own(&'static str, Value);

impl WebDriverCompatibleCommand for Own {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/{}", session.unwrap_or_default(), self.0))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        (http::Method::POST, Some(self.1.to_string()))
    }
}

/// A browser with its driver and its profile; all end with it.
pub struct Browser {
    pub client: Client,
    driver: Child,
    port: u16,
    _profile: tempfile::TempDir,
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Only the driver can end its browser; it is asked before it is ended itself.
        if let Ok(mut stream) = TcpStream::connect(("127.0.0.1", self.port)) {
            let _ = stream.set_read_timeout(Some(Duration::from_secs(10)));
            let _ = write!(
                stream,
                "GET /shutdown HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\n\r\n",
                self.port
            );
            let _ = stream.read_to_end(&mut Vec::new());
        }
        for _ in 0..500 {
            if !matches!(self.driver.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

fn driver() -> (Child, u16) {
    let started =
        Command::new("chromedriver").arg("--port=0").stdin(Stdio::null()).stdout(Stdio::piped()).spawn();
    let mut driver =
        started.unwrap_or_else(|error| panic!("no chromedriver ({error}): sh tests/prepare tests"));
    let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines();
    let port = lines.find_map(|line| {
        let line = line.ok()?;
        line.split_once("started successfully on port ")?.1.trim_end_matches('.').parse().ok()
    });
    // Whatever else it says must find a reader.
    std::thread::Builder::new().spawn(move || lines.for_each(drop)).unwrap();
    (driver, port.unwrap())
}

impl Browser {
    /// Starts one; with `voices`, speech has voices (a stand-in's).
    pub async fn start(voices: bool) -> Browser {
        Browser::with(voices, false).await
    }

    /// Starts one whose user has told it to trust the program's own certificate.
    pub async fn trusting() -> Browser {
        Browser::with(false, true).await
    }

    async fn with(voices: bool, trusting: bool) -> Browser {
        let (driver, port) = driver();
        let profile = tempfile::tempdir().unwrap();
        let mut flags = vec![
            "--headless=new".to_owned(),
            "--disable-gpu".to_owned(),
            "--disable-quic".to_owned(),
            "--no-first-run".to_owned(),
            "--disable-background-networking".to_owned(),
            "--disable-component-update".to_owned(),
            "--disable-sync".to_owned(),
            "--window-size=1300,900".to_owned(),
            format!("--user-data-dir={}", profile.path().display()),
        ];
        if nix::unistd::geteuid().is_root() {
            flags.push("--no-sandbox".to_owned());
        }
        let wanted = json!({
            "acceptInsecureCerts": trusting,
            "goog:chromeOptions": { "args": flags },
            "goog:loggingPrefs": { "browser": "ALL" },
        });
        let client = ClientBuilder::new(HttpConnector::new())
            .capabilities(wanted.as_object().unwrap().clone())
            .connect(&format!("http://127.0.0.1:{port}"))
            .await
            .unwrap();
        let browser = Browser { client, driver, port, _profile: profile };
        browser.in_every_document(EARS).await;
        if voices {
            browser.in_every_document(VOICES).await;
        }
        browser
    }

    async fn in_every_document(&self, script: &str) {
        self.cdp("Page.addScriptToEvaluateOnNewDocument", json!({ "source": script })).await;
    }

    /// A command of the browser's own protocol.
    pub async fn cdp(&self, command: &str, parameters: Value) {
        let all = json!({ "cmd": command, "params": parameters });
        self.client.issue_cmd(Own("goog/cdp/execute", all)).await.unwrap();
    }

    /// Runs a script (the body of a function) in the page.
    pub async fn js(&self, script: &str) -> Value {
        self.client.execute(script, vec![]).await.unwrap_or_else(|error| panic!("{error}: {script}"))
    }

    /// The text of the first element.
    pub async fn text(&self, css: &str) -> String {
        let script = format!("return document.querySelector({css:?})?.textContent ?? ''");
        self.js(&script).await.as_str().unwrap_or_default().to_owned()
    }

    /// Runs a script again and again until it gives something that is not null, false or "".
    pub async fn until(&self, what: &str, script: &str) -> Value {
        for _ in 0..1200 {
            let seen = self.client.execute(script, vec![]).await;
            // While a page is being loaded there is nothing to run it in.
            match seen {
                Ok(value) if value != Value::Null && value != false && value != "" => return value,
                Ok(_) | Err(CmdError::Standard(_)) => tokio::time::sleep(Duration::from_millis(50)).await,
                Err(error) => panic!("{what}: {error}"),
            }
        }
        let page = self.text("body").await;
        panic!("waited in vain for {what}; the page says: {page}")
    }

    /// Presses and releases a key.
    pub async fn press(&self, key: char) {
        let keys = KeyActions::new("keys".to_owned())
            .then(KeyAction::Down { value: key })
            .then(KeyAction::Up { value: key });
        self.client.perform_actions(keys).await.unwrap();
    }

    /// Taps an element with a finger.
    pub async fn tap(&self, css: &str) {
        let element =
            self.client.find(Locator::Css(css)).await.unwrap_or_else(|_| panic!("there is no {css}"));
        self.js(&format!("document.querySelector({css:?}).scrollIntoView({{ block: 'nearest' }})")).await;
        let finger = TouchActions::new("finger".to_owned())
            .then(PointerAction::MoveToElement { element, duration: None, x: 0.0, y: 0.0 })
            .then(PointerAction::Down { button: 0 })
            .then(PointerAction::Up { button: 0 });
        self.client.perform_actions(finger).await.unwrap();
    }

    /// Types, wherever the focus is.
    pub async fn type_text(&self, text: &str) {
        for key in text.chars() {
            self.press(key).await;
        }
    }

    /// Moves the focus with the Tab key until it is on this element.
    pub async fn tab_to(&self, css: &str) {
        for _ in 0..200 {
            if self.js(&format!("return document.activeElement?.matches({css:?}) ?? false")).await == true {
                return;
            }
            self.press('\u{e004}').await;
        }
        panic!("the Tab key does not reach {css}");
    }

    /// Chooses a file.
    pub async fn choose(&self, css: &str, file: &Path) {
        let field = self.client.find(Locator::Css(css)).await.unwrap();
        field.send_keys(file.to_str().unwrap()).await.unwrap();
    }

    /// What the console calls severe.
    pub async fn severe(&self) -> Vec<String> {
        let log = self.client.issue_cmd(Own("se/log", json!({ "type": "browser" }))).await.unwrap();
        let lines = log.as_array().cloned().unwrap_or_default();
        lines
            .iter()
            .filter(|line| line["level"] == "SEVERE")
            .map(|line| line["message"].as_str().unwrap_or_default().to_owned())
            .collect()
    }

    /// Makes the window look as large as this, or as it is (`None`).
    pub async fn sized(&self, size: Option<(u32, u32)>) {
        self.zoomed(size, 1).await;
    }

    /// The same, every pixel of the page being this many of the window's.
    async fn zoomed(&self, size: Option<(u32, u32)>, zoom: u32) {
        let Some((width, height)) = size else {
            return self.cdp("Emulation.clearDeviceMetricsOverride", json!({})).await;
        };
        let params = json!({ "width": width, "height": height, "deviceScaleFactor": zoom, "mobile": false });
        self.cdp("Emulation.setDeviceMetricsOverride", params).await;
    }

    /// Checks accessibility: no violation of any rule that axe-core knows; and that everything can be read and reached in a
    /// window of 1280 × 800 at 200 % (WCAG 2.2, 1.4.4), at 400 % without scrolling sideways (1.4.10), and on a phone.
    pub async fn accessible(&self, at: &str) {
        self.axe(at).await;
        for (size, zoom) in [((640, 400), 2), ((320, 640), 4), ((390, 844), 1)] {
            self.zoomed(Some(size), zoom).await;
            assert_eq!(self.js(OUT_OF_REACH).await, json!([]), "{at}, {size:?} at {zoom}00 %");
        }
        self.sized(None).await;
    }

    /// No violation of any rule that axe-core knows.
    pub async fn axe(&self, at: &str) {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../target/axe/node_modules/axe-core/axe.min.js");
        let axe =
            std::fs::read_to_string(path).unwrap_or_else(|_| panic!("no axe-core: sh tests/prepare tests"));
        self.client.execute(&axe, vec![]).await.unwrap();
        let script = "const done = arguments[0]; axe.run().then((found) => done(found.violations.map((it) => \
                      `${it.id}: ${it.nodes.map((node) => node.html).join(' ')}`)))";
        let violations = self.client.execute_async(script, vec![]).await.unwrap();
        assert_eq!(violations, json!([]), "{at}");
    }

    /// A screenshot, where somebody wants to look: SCREENSHOTS names the folder.
    pub async fn screenshots(&self, name: &str) {
        let Some(folder) = std::env::var_os("SCREENSHOTS") else { return };
        for (size, width, height) in [("phone", 390, 844), ("tablet", 1024, 768), ("projector", 1920, 1080)] {
            self.sized(Some((width, height))).await;
            tokio::time::sleep(Duration::from_millis(250)).await;
            let picture = self.client.screenshot().await.unwrap();
            std::fs::write(Path::new(&folder).join(format!("{name}-{size}.png")), picture).unwrap();
        }
        self.sized(None).await;
    }
}
