//! A real browser at a real server.
//!
//! [`Yard`] is the program itself, serving a fresh copy of the demo on loopback; [`Browser`] is
//! Debian's Chromium, driven through its own chromedriver. Both end when they are dropped, and
//! each waits for a condition, never for a time.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use tests::program::{DEMO_FILE, DEMO_UNTIL, copy_demo, program};
use thirtyfour::prelude::{
    By, DesiredCapabilities, ElementQueryable, ElementWaitable, WebDriver, WebElement,
};
use thirtyfour::{ChromiumLikeCapabilities, Key, TypingData};

const AXE: &str = include_str!("browser/axe.min.js");

const BROWSER_FLAGS: [&str; 9] = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1200,900",
];

/// How the page is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum View {
    Desk,
    DeskDark,
    /// 390 × 844.
    Phone,
    /// A desk without script.
    Plain,
}

impl View {
    const fn name(self) -> &'static str {
        match self {
            Self::Desk => "desk",
            Self::DeskDark => "desk-dark",
            Self::Phone => "phone",
            Self::Plain => "plain",
        }
    }
}

/// A browser with its driver. Call [`Browser::close`] at the end; a dropped one takes its driver
/// with it all the same.
pub struct Browser {
    pub page: WebDriver,
    view: View,
    home: String,
    driver: Driver,
}

/// One line of the board of hours.
pub struct BoardLine {
    pub id: String,
    /// Hours at the last reading.
    pub last: f64,
    /// Selectors of its field, of what it asks, of its way to a swapped meter.
    pub field: String,
    pub asks: String,
    pub swap: String,
}

impl BoardLine {
    fn of(id: String, last: &str) -> Self {
        Self {
            last: last.parse().expect("a number"),
            field: format!("#h-{id}"),
            asks: format!("#s-{id}"),
            swap: format!("#e-{id} a.swap"),
            id,
        }
    }
}

/// chromedriver, which ends its browsers when it ends.
struct Driver {
    process: Child,
    /// Kept open: a driver whose words nobody takes may stop over them.
    words: BufReader<ChildStdout>,
}

impl Drop for Driver {
    fn drop(&mut self) {
        // Already gone is as good.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Browser {
    /// Opens a browser whose paths are those of `home`, for example `http://127.0.0.1:8080`.
    pub async fn open(home: &str, view: View) -> Self {
        let (driver, port) = Driver::start();
        let mut wanted = DesiredCapabilities::chrome();
        for flag in BROWSER_FLAGS {
            wanted.add_arg(flag).expect("a flag");
        }
        wanted.set_binary("/usr/bin/chromium").expect("a path");
        match view {
            View::Phone => wanted
                .add_experimental_option(
                    "mobileEmulation",
                    json!({"deviceMetrics": {"width": 390, "height": 844, "pixelRatio": 2.0}}),
                )
                .expect("an option"),
            View::Plain => wanted
                .add_experimental_option(
                    "prefs",
                    json!({"profile.managed_default_content_settings.javascript": 2}),
                )
                .expect("an option"),
            View::Desk | View::DeskDark => {}
        }
        let page = WebDriver::new(format!("http://127.0.0.1:{port}"), wanted).await;
        let page = page.expect("Chromium starts under chromedriver");
        // Axe looks at every element of a long list; a busy machine takes its time over that.
        page.set_script_timeout(Duration::from_secs(300)).await.expect("a time");
        let browser = Self { page, view, home: home.to_owned(), driver };
        if view == View::DeskDark {
            let dark = json!({"name": "prefers-color-scheme", "value": "dark"});
            browser.command("Emulation.setEmulatedMedia", json!({"features": [dark]})).await;
        }
        browser
    }

    /// Goes to a path of the server, or a whole address.
    pub async fn go(&self, path: &str) {
        let whole = path.starts_with("http");
        let to = if whole { path.to_owned() } else { format!("{}{path}", self.home) };
        self.page.goto(&to).await.unwrap_or_else(|error| panic!("{to}: {error}"));
    }

    /// Where the browser is, without the server's address.
    pub async fn path(&self) -> String {
        let at = self.page.current_url().await.expect("an address");
        at.query().map_or(at.path().to_owned(), |query| format!("{}?{query}", at.path()))
    }

    /// The element at `css`, waited for.
    pub async fn find(&self, css: &str) -> WebElement {
        let found = self.page.query(By::Css(css)).first().await;
        match found {
            Ok(element) => element,
            Err(error) => panic!("{css} at {}: {error}\n{}", self.path().await, self.text().await),
        }
    }

    /// The element at `css`, waited for as long as a plan may take to be made.
    pub async fn find_in_time(&self, css: &str) -> WebElement {
        let (longest, often) = (Duration::from_secs(300), Duration::from_millis(250));
        let found = self.page.query(By::Css(css)).wait(longest, often).first().await;
        match found {
            Ok(element) => element,
            Err(error) => panic!("{css} at {}: {error}\n{}", self.path().await, self.text().await),
        }
    }

    /// Everything that can be read on the page.
    pub async fn text(&self) -> String {
        let body = self.page.find(By::Tag("main")).await.expect("a page has a main part");
        body.text().await.expect("text")
    }

    /// The page's heading.
    pub async fn heading(&self) -> String {
        self.find("h1").await.text().await.expect("text")
    }

    /// How many elements match `css` now.
    pub async fn count(&self, css: &str) -> usize {
        self.page.find_all(By::Css(css)).await.expect("a selector").len()
    }

    /// Types into a field, in place of what stood there.
    pub async fn fill(&self, css: &str, text: &str) {
        let field = self.find(css).await;
        let kind = field.attr("type").await.expect("an attribute");
        if matches!(kind.as_deref(), Some("date" | "datetime-local")) {
            // The order of its parts is the browser's language's; a value is not.
            let set = "arguments[0].value = arguments[1];";
            let arguments = vec![field.to_json().expect("an element"), json!(text)];
            self.page.execute(set, arguments).await.expect("a value");
            return;
        }
        field.clear().await.expect("a field");
        field.send_keys(text).await.expect("a field takes text");
        if kind.as_deref() != Some("password") {
            field.send_keys(Key::Tab + "").await.expect("a field can be left");
        }
    }

    /// Presses the button or follows the link at `css`, and waits for the next page.
    pub async fn press(&self, css: &str) {
        let element = self.find(css).await;
        let old = self.find("html").await;
        element.scroll_into_view().await.expect("in view");
        element.click().await.unwrap_or_else(|error| panic!("{css}: {error}"));
        old.wait_until().stale().await.unwrap_or_else(|_| panic!("{css} led nowhere"));
        self.find("main").await;
    }

    /// Presses the button or follows the link that reads `words`.
    pub async fn press_words(&self, words: &str) {
        let path = format!(
            "//*[self::a or self::button or self::summary][contains(normalize-space(.), {words:?})]"
        );
        let element = self.page.query(By::XPath(path.as_str())).first().await;
        let element = match element {
            Ok(element) => element,
            Err(_) => panic!("nothing reads {words:?}:\n{}", self.text().await),
        };
        let old = self.find("html").await;
        element.scroll_into_view().await.expect("in view");
        element.click().await.unwrap_or_else(|error| panic!("{words}: {error}"));
        old.wait_until().stale().await.unwrap_or_else(|_| panic!("{words:?} led nowhere"));
        self.find("main").await;
    }

    /// Drags the element at `from` onto the one at `to` with the mouse, and waits for the page that
    /// this leads to.
    pub async fn drag(&self, from: &str, to: &str) {
        let (from, to) = (self.find(from).await, self.find(to).await);
        let old = self.find("html").await;
        from.scroll_into_view().await.expect("in view");
        // A drag begins with a move of the held mouse; a place is known as a target once the mouse
        // has moved within it.
        let chain = self.page.action_chain().move_to_element_center(&from).click_and_hold();
        let chain = chain.move_by_offset(5, 0).move_to_element_center(&to);
        let chain = chain.move_by_offset(1, 0).release();
        chain.perform().await.expect("the mouse moves");
        old.wait_until().stale().await.expect("a visit that is dropped leads to its page");
        self.find("main").await;
    }

    /// Goes on by the tab key until what is focused begins with `words`.
    pub async fn tab_to(&self, words: &str) {
        let mut passed = Vec::new();
        for _ in 0..200 {
            self.tab().await;
            let at = self.focused().await;
            if at.starts_with(words) {
                return;
            }
            passed.push(at);
        }
        panic!("no stop begins with {words:?}: {passed:?}");
    }

    /// Types into a field as a hand does, nothing more.
    pub async fn fill_plain(&self, css: &str, text: &str) {
        self.find(css).await.send_keys(text).await.expect("a field takes text");
    }

    /// Types into a field in place of what stood there, by keys alone.
    pub async fn retype(&self, css: &str, text: &str) {
        let field = self.find(css).await;
        field.send_keys(Key::Control + "a").await.expect("a field takes keys");
        field.send_keys(Key::Delete + "").await.expect("a field takes keys");
        field.send_keys(text).await.expect("a field takes text");
    }

    /// Chooses an option of a list by its value.
    pub async fn choose_option(&self, css: &str, value: &str) {
        self.find(&format!("{css} option[value='{value}']")).await.click().await.expect("a choice");
    }

    /// What stands in a field.
    pub async fn value(&self, css: &str) -> String {
        let value = self.find(css).await.prop("value").await.expect("a property");
        value.unwrap_or_default()
    }

    /// Where the first link at `css` leads, as a path.
    pub async fn link(&self, css: &str) -> String {
        self.find(css).await.attr("href").await.expect("an attribute").expect("a link")
    }

    /// Where all links at `css` lead, as they are now.
    pub async fn links(&self, css: &str) -> Vec<String> {
        let read = "return [...document.querySelectorAll(arguments[0])]
            .map((e) => e.getAttribute('href'));";
        let answer = self.page.execute(read, vec![json!(css)]).await.expect("an answer");
        answer.convert().expect("addresses")
    }

    /// Puts the keyboard's place on the element at `css`.
    pub async fn focus(&self, css: &str) {
        self.find(css).await.focus().await.expect("it takes the focus");
    }

    /// Chooses the option of a list of choices that reads `words`.
    pub async fn choose(&self, words: &str) {
        let labels = self.page.find_all(By::Css("label")).await.expect("labels");
        for label in labels {
            let text = label.text().await.expect("text").to_lowercase();
            if text.contains(words) {
                label.scroll_into_view().await.expect("in view");
                return label.click().await.expect("a choice");
            }
        }
        panic!("no choice reads {words:?}:\n{}", self.text().await);
    }

    pub async fn tab(&self) {
        self.keys(Key::Tab + "").await;
    }

    pub async fn arrow_down(&self) {
        self.keys(Key::Down + "").await;
    }

    pub async fn enter(&self) {
        self.keys(Key::Enter + "").await;
    }

    async fn keys(&self, keys: TypingData) {
        let chain = self.page.action_chain().send_keys(keys);
        chain.perform().await.expect("keys");
    }

    /// What the focused element reads.
    pub async fn focused(&self) -> String {
        self.ask("return document.activeElement.textContent.trim();").await
    }

    pub async fn focused_id(&self) -> String {
        self.ask("return document.activeElement.id;").await
    }

    async fn ask(&self, script: &str) -> String {
        let answer = self.page.execute(script, Vec::new()).await.expect("an answer");
        answer.convert().expect("text")
    }

    /// Shows the page as it would be printed.
    pub async fn print(&self) {
        self.command("Emulation.setEmulatedMedia", json!({"media": "print"})).await;
    }

    /// How many elements of `css` can be seen.
    pub async fn visible(&self, css: &str) -> usize {
        let count = "return [...document.querySelectorAll(arguments[0])]
            .filter((e) => e.checkVisibility() && e.getClientRects().length > 0).length;";
        let answer = self.page.execute(count, vec![json!(css)]).await.expect("an answer");
        answer.convert().expect("a number")
    }

    /// The first three lines of the board that have a reading.
    pub async fn board(&self) -> Vec<BoardLine> {
        let read = "return [...document.querySelectorAll('ol.board input[data-last]')]
            .filter((e) => Number(e.dataset.last) > 10).slice(0, 3)
            .map((e) => [e.id.slice(2), e.dataset.last]);";
        let answer = self.page.execute(read, Vec::new()).await.expect("an answer");
        let lines: Vec<(String, String)> = answer.convert().expect("pairs");
        lines.into_iter().map(|(id, last)| BoardLine::of(id, &last)).collect()
    }

    /// The line of one engine on the board.
    pub async fn board_line(&self, id: &str) -> Option<BoardLine> {
        let field = self.page.find(By::Id(format!("h-{id}"))).await.ok()?;
        let last = field.attr("data-last").await.expect("an attribute")?;
        Some(BoardLine::of(id.to_owned(), &last))
    }

    /// Fails on any violation of WCAG 2.2 A or AA that axe finds, on text or pictures that do not
    /// fit the width, and on whatever the console complains about.
    pub async fn assert_accessible(&self) {
        let path = self.path().await;
        self.page.execute(AXE, Vec::new()).await.expect("axe is taken in");
        let run = "const done = arguments[arguments.length - 1];
            const runOnly = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'];
            axe.run(document, { runOnly }).then((result) => done(result.violations.map((v) =>
              `${v.id}: ${v.help}: ${v.nodes.map((n) => n.html.slice(0, 200)).join(' | ')}`)));";
        let answer = self.page.execute_async(run, Vec::new()).await.expect("axe answers");
        let violations: Vec<String> = answer.convert().expect("a list");
        assert!(violations.is_empty(), "{path} ({}): {violations:#?}", self.view.name());
        let widths = "return [document.documentElement.scrollWidth, window.innerWidth];";
        let answer = self.page.execute(widths, Vec::new()).await.expect("widths");
        let [wide, window]: [f64; 2] = answer.convert().expect("two numbers");
        let room = if self.view == View::Phone { 390.0 } else { window };
        assert!(wide <= room + 1.0, "{path} is {wide} px wide at {room} px");
    }

    /// Fails where something to press is smaller than 24 px either way outside running text, or
    /// a button or field is less than 44 px high.
    pub async fn assert_targets_are_large(&self) {
        let measure = "return [...document.querySelectorAll('button, .button, select, summary, \
              nav a, input:not([type=hidden]):not([type=checkbox]):not([type=radio])')]
            .filter((e) => e.offsetParent !== null && e.getBoundingClientRect().height < 43.5)
            .map((e) => e.outerHTML.slice(0, 120));";
        let answer = self.page.execute(measure, Vec::new()).await.expect("measured");
        let small: Vec<String> = answer.convert().expect("a list");
        assert!(small.is_empty(), "{}: under 44 px: {small:#?}", self.path().await);
    }

    /// Keeps a picture of the whole page in `tests/artefacts/NAME-VIEW.png`.
    pub async fn picture(&self, name: &str) {
        let whole = json!({"captureBeyondViewport": true});
        let answer = self.command("Page.captureScreenshot", whole).await;
        let encoded = answer["data"].as_str().expect("a picture");
        let folder = workspace().join("tests/artefacts");
        std::fs::create_dir_all(&folder).expect("a folder");
        let file = folder.join(format!("{name}-{}.png", self.view.name()));
        std::fs::write(&file, from_base64(encoded)).expect("a file");
    }

    async fn command(&self, command: &str, parameters: Value) -> Value {
        self.page.cdp().send_raw(command, parameters).await.expect("the browser obeys")
    }

    /// Ends browser and driver.
    /// What a download holds: its first bytes as text, and its type.
    pub async fn download(&self, path: &str) -> (String, String) {
        let fetch = "const done = arguments[arguments.length - 1];
            fetch(arguments[0]).then(async (answer) => {
              const bytes = new Uint8Array(await answer.arrayBuffer());
              const text = String.fromCharCode(...bytes.slice(0, 4000));
              done([text, answer.headers.get('content-type') || '']);
            }, (cause) => done(['failed: ' + cause, '']));";
        let answer = self.page.execute_async(fetch, vec![json!(path)]).await.expect("an answer");
        answer.convert().expect("text and type")
    }

    pub async fn close(self) {
        self.page.quit().await.expect("the browser ends");
        drop(self.driver);
    }
}

impl Driver {
    /// Starts chromedriver on a port of its own choice.
    fn start() -> (Self, u16) {
        let process = Command::new("/usr/bin/chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn();
        let mut process = process.expect("chromedriver (tests/run installs it)");
        let out = process.stdout.take().expect("piped");
        // From here on it ends with us, also when what follows panics.
        let mut driver = Self { process, words: BufReader::new(out) };
        let mut lines = driver.words.by_ref().lines().map_while(Result::ok);
        let started = lines.find(|line| line.contains("started successfully on port"));
        let started = started.expect("chromedriver says that it started");
        let digits: String = started.chars().filter(char::is_ascii_digit).collect();
        (driver, digits.parse().expect("a port"))
    }
}

/// The program serving a fresh copy of the demo on loopback. Ends when it is dropped.
pub struct Yard {
    pub home: String,
    /// Signs the owner in, once.
    link: String,
    process: Child,
    /// Kept open, as the driver's.
    _words: BufReader<ChildStdout>,
    _folder: tempfile::TempDir,
}

impl Drop for Yard {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Yard {
    pub fn open() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        copy_demo(folder.path());
        let file = folder.path().join(DEMO_FILE);
        let process = Command::new(program())
            .args(["demo", "--no-plans", "--until", DEMO_UNTIL, "--database"])
            .arg(&file)
            .args(["--listen", "127.0.0.1:0"])
            .stdout(Stdio::piped())
            .spawn();
        let mut process = process.expect("the program starts");
        let mut words = BufReader::new(process.stdout.take().expect("piped"));
        let link = words.by_ref().lines().map_while(Result::ok).find_map(|line| {
            let line = line.trim().to_owned();
            line.contains("/sign-in/once/").then_some(line)
        });
        let link = link.expect("the demo prints a link");
        let home = link.split("/sign-in").next().expect("an address").to_owned();
        Self { home, link, process, _words: words, _folder: folder }
    }

    /// A browser in which the owner is signed in, and the number of the first page seen.
    pub async fn owner(&self, view: View) -> Browser {
        let browser = Browser::open(&self.home, view).await;
        browser.go(&self.link).await;
        assert!(browser.path().await.starts_with("/afloat"), "the link signs the owner in");
        browser
    }
}

/// The root of the workspace.
pub fn workspace() -> PathBuf {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR"));
    tests.parent().expect("tests/ stands in the workspace").to_owned()
}

/// Base64 (RFC 4648, section 4), as far as pictures from the browser need it.
fn from_base64(text: &str) -> Vec<u8> {
    let value = |c: u8| match c {
        b'A'..=b'Z' => Some(c - b'A'),
        b'a'..=b'z' => Some(c - b'a' + 26),
        b'0'..=b'9' => Some(c - b'0' + 52),
        b'+' => Some(62),
        b'/' => Some(63),
        _ => None,
    };
    let sextets: Vec<u8> = text.bytes().filter_map(value).collect();
    let mut bytes = Vec::with_capacity(sextets.len() * 3 / 4);
    for group in sextets.chunks(4) {
        let bits = group.iter().fold(0u32, |bits, &s| (bits << 6) | u32::from(s));
        let bits = bits << (6 * (4 - group.len()));
        bytes.extend_from_slice(&bits.to_be_bytes()[1..group.len()]);
    }
    bytes
}
