//! Chromium, driven over WebDriver; calls block, as tests like it.
//!
//! One chromedriver serves the whole test program. Browsers wait in a pool, so that
//! not every test has to start one. All of it runs in a process group of its own
//! behind a pipe: however this program ends, the pipe closes, and the group is ended.

use crate::brokers::{PATIENCE, free_port, wait_for_port};
use fantoccini::cookies::Cookie;
use fantoccini::elements::Element;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use std::future::Future;
use std::os::unix::process::CommandExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{LazyLock, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::runtime::Runtime;

/// Starts chromedriver, waits until the pipe closes, ends the group, cleans up.
const ATTENDED: &str = r#"
chromedriver --port="$1" --log-level=OFF >/dev/null 2>&1 &
read -r _
trap '' TERM
kill -TERM 0
sleep 1
rm -rf "$2"
"#;

struct Driver {
    runtime: Runtime,
    port: u16,
    /// Where browsers keep what they keep.
    folder: PathBuf,
    idle: Mutex<Vec<Client>>,
    /// Open as long as this program runs; nobody waits for the child.
    _child: Child,
}

static DRIVER: LazyLock<Driver> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap().keep();
    let port = free_port();
    let child = Command::new("sh")
        .args(["-c", ATTENDED, "sh"])
        .arg(port.to_string())
        .arg(&folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .process_group(0)
        .spawn()
        .unwrap();
    wait_for_port(port);
    Driver {
        runtime: tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .unwrap(),
        port,
        folder,
        idle: Mutex::default(),
        _child: child,
    }
});

fn run<T>(future: impl Future<Output = T>) -> T {
    DRIVER.runtime.block_on(future)
}

static COUNT: AtomicU32 = AtomicU32::new(0);

async fn start(scripts: bool) -> Client {
    let profile = DRIVER
        .folder
        .join(format!("profile-{}", COUNT.fetch_add(1, Ordering::SeqCst)));
    let args = json!([
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-dev-shm-usage",
        "--hide-scrollbars",
        "--lang=en",
        format!("--user-data-dir={}", profile.display()),
    ]);
    let mut options = json!({ "args": args });
    options["prefs"] = json!({ "intl.accept_languages": "en" });
    if !scripts {
        options["prefs"]["profile.managed_default_content_settings.javascript"] = json!(2);
    }
    let Value::Object(capabilities) =
        json!({ "goog:chromeOptions": options, "acceptInsecureCerts": true })
    else {
        unreachable!("made an object just above")
    };
    ClientBuilder::new(HttpConnector::new())
        .capabilities(capabilities)
        .connect(&format!("http://127.0.0.1:{}", DRIVER.port))
        .await
        .expect("chromium and chromium-driver are needed for this test: apt-get install chromium chromium-driver")
}

/// A browser, taken for a test.
pub(crate) struct Browser {
    client: Option<Client>,
    /// Goes back into the pool afterwards.
    kept: bool,
}

impl Browser {
    /// One with an empty jar of cookies.
    pub(crate) fn take() -> Self {
        let idle = DRIVER
            .idle
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .pop();
        let client = idle.unwrap_or_else(|| run(start(true)));
        let browser = Self {
            client: Some(client),
            kept: true,
        };
        browser.desk();
        browser
    }

    /// One that runs no scripts.
    pub(crate) fn without_scripts() -> Self {
        Self {
            client: Some(run(start(false))),
            kept: false,
        }
    }

    fn client(&self) -> &Client {
        self.client.as_ref().unwrap()
    }

    /// As large as on a desk.
    pub(crate) fn desk(&self) {
        self.size(1280, 900);
    }

    /// As large as a phone.
    pub(crate) fn phone(&self) {
        self.size(390, 844);
    }

    /// The viewport, in CSS pixels.
    pub(crate) fn size(&self, width: u32, height: u32) {
        let metrics =
            json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.chrome("Emulation.setDeviceMetricsOverride", metrics);
    }

    /// By day or by night.
    pub(crate) fn night(&self, night: bool) {
        let value = if night { "dark" } else { "light" };
        self.chrome(
            "Emulation.setEmulatedMedia",
            json!({ "features": [{ "name": "prefers-color-scheme", "value": value }] }),
        );
    }

    /// A command of Chromium's own protocol.
    pub(crate) fn chrome(&self, command: &str, params: Value) -> Value {
        run(self.client().issue_cmd(Chrome {
            command: command.to_owned(),
            params,
        }))
        .unwrap()
    }

    pub(crate) fn go(&self, url: &str) {
        run(self.client().goto(url)).unwrap();
    }

    pub(crate) fn reload(&self) {
        run(self.client().refresh()).unwrap();
    }

    pub(crate) fn url(&self) -> String {
        run(self.client().current_url()).unwrap().to_string()
    }

    pub(crate) fn title(&self) -> String {
        run(self.client().title()).unwrap()
    }

    pub(crate) fn source(&self) -> String {
        run(self.client().source()).unwrap()
    }

    fn element(&self, css: &str) -> Element {
        let wait = self
            .client()
            .wait()
            .at_most(PATIENCE)
            .every(Duration::from_millis(50));
        run(wait.for_element(Locator::Css(css)))
            .unwrap_or_else(|error| panic!("{css}: {error}\n{}", self.text("body")))
    }

    /// Whether there is such an element now.
    pub(crate) fn has(&self, css: &str) -> bool {
        self.count(css) > 0
    }

    /// How many such elements there are now.
    pub(crate) fn count(&self, css: &str) -> usize {
        run(self.client().find_all(Locator::Css(css)))
            .unwrap()
            .len()
    }

    /// The text of an element as a person sees it; empty where there is none.
    pub(crate) fn text(&self, css: &str) -> String {
        // An element may be replaced by a newer one between finding and reading it, and
        // the browser may be on its way to another page: then it is asked again.
        let mut said = String::new();
        for _ in 0..20 {
            match run(self.client().find(Locator::Css(css))) {
                Ok(element) => {
                    if let Ok(text) = run(element.text()) {
                        return text;
                    }
                }
                Err(error) if error.is_no_such_element() => return String::new(),
                Err(error) => {
                    said = error.to_string();
                    std::thread::sleep(Duration::from_millis(50));
                }
            }
        }
        panic!("{css} never stays long enough to be read {said}")
    }

    /// What stands in a field.
    pub(crate) fn value(&self, css: &str) -> String {
        run(self.element(css).prop("value"))
            .unwrap()
            .unwrap_or_default()
    }

    /// Waits until the text of an element contains this.
    pub(crate) fn wait_text(&self, css: &str, part: &str) -> String {
        let begin = Instant::now();
        loop {
            let text = self.text(css);
            if text.contains(part) {
                return text;
            }
            assert!(
                begin.elapsed() < PATIENCE,
                "{css} never says {part:?}; it says:\n{text}"
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Waits for an element.
    pub(crate) fn wait(&self, css: &str) {
        self.element(css);
    }

    pub(crate) fn click(&self, css: &str) {
        // Scrolled to by ourselves: what is fixed or drawn anew must not come between.
        self.js(
            "document.querySelector(arguments[0])?.scrollIntoView({ block: 'center' })",
            vec![json!(css)],
        );
        run(self.element(css).click()).unwrap_or_else(|error| panic!("{css}: {error}"));
    }

    /// Types into a field, in place of what stands there.
    pub(crate) fn fill(&self, css: &str, text: &str) {
        let element = self.element(css);
        run(element.clear()).unwrap();
        run(element.send_keys(text)).unwrap();
    }

    /// Sets a field's value, for dates, which each language types differently.
    pub(crate) fn set(&self, css: &str, value: &str) {
        self.wait(css);
        self.js(
            "const field = document.querySelector(arguments[0]); field.value = arguments[1]; \
             field.dispatchEvent(new Event('change', { bubbles: true }))",
            vec![json!(css), json!(value)],
        );
    }

    /// Chooses a file in a field for files.
    pub(crate) fn choose(&self, css: &str, file: &std::path::Path) {
        run(self.element(css).send_keys(&file.display().to_string())).unwrap();
    }

    /// Presses keys at whatever has the focus.
    pub(crate) fn keys(&self, keys: &str) {
        let element = run(self.client().active_element()).unwrap();
        run(element.send_keys(keys)).unwrap();
    }

    pub(crate) fn js(&self, script: &str, args: Vec<Value>) -> Value {
        run(self.client().execute(script, args)).unwrap_or_else(|error| panic!("{script}: {error}"))
    }

    /// A cookie by name.
    pub(crate) fn cookie(&self, name: &str) -> Option<Cookie<'static>> {
        run(self.client().get_named_cookie(name)).ok()
    }

    /// A picture of the whole page, PNG, as base64.
    pub(crate) fn picture(&self) -> String {
        let whole = json!({ "format": "png", "captureBeyondViewport": true });
        self.chrome("Page.captureScreenshot", whole)["data"]
            .as_str()
            .unwrap_or_default()
            .to_owned()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let Some(client) = self.client.take() else {
            return;
        };
        if self.kept && !std::thread::panicking() {
            let clean = run(async {
                client.delete_all_cookies().await?;
                client.goto("about:blank").await
            });
            if clean.is_ok() {
                DRIVER
                    .idle
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .push(client);
                return;
            }
        }
        // Gone already: no matter.
        let _ = run(client.close());
    }
}

/// A command that WebDriver does not know: it goes to Chromium.
#[derive(Debug)]
struct Chrome {
    command: String,
    params: Value,
}

impl fantoccini::wd::WebDriverCompatibleCommand for Chrome {
    fn endpoint(
        &self,
        base: &url::Url,
        session: Option<&str>,
    ) -> Result<url::Url, url::ParseError> {
        base.join(&format!(
            "session/{}/goog/cdp/execute",
            session.unwrap_or_default()
        ))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        let body = json!({ "cmd": self.command, "params": self.params });
        (http::Method::POST, Some(body.to_string()))
    }
}
