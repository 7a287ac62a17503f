//! The program as its users meet it: a folder with files, a command line, what it said.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use sea_orm::{
    ConnectionTrait as _, Database as Connect, DatabaseConnection, DbBackend, Statement,
};
use tempfile::TempDir;

/// The last day of the demo's past; its yard is looked at on the morning after, a Monday in July.
pub const DEMO_UNTIL: &str = "2026-07-05";
/// The demo's file in its folder.
pub const DEMO_FILE: &str = "demo.sqlite";

/// The program, built beside these tests.
///
/// # Panics
/// Where it is not built.
pub fn program() -> PathBuf {
    let test = std::env::current_exe().expect("a path");
    let target =
        test.parent().and_then(Path::parent).expect("deps/ stands in the profile's folder");
    let program = target.join("slackwater");
    assert!(program.exists(), "{} is not there: cargo build --workspace", program.display());
    program
}

/// What the program said, and how it ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Said {
    /// # Panics
    /// A signal ended it.
    pub fn of(output: &Output) -> Self {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let code = output.status.code().expect("it ends by itself");
        Self { code, out: text(&output.stdout), err: text(&output.stderr) }
    }

    /// What it wrote, where it ended well.
    #[track_caller]
    pub fn good(self) -> String {
        assert_eq!(self.code, 0, "{self:?}");
        self.out
    }
}

/// A folder of a test's own with a database in it; gone when dropped.
pub struct Folder {
    place: TempDir,
}

impl Folder {
    /// An empty one.
    ///
    /// # Panics
    /// There is no room for it.
    pub fn empty() -> Self {
        Self { place: tempfile::tempdir().expect("a temporary folder") }
    }

    /// With a fresh organisation.
    pub fn begun() -> Self {
        let folder = Self::empty();
        folder.run(["init", "North Quay", "--owner", "Ingrid Holm"]).good();
        folder
    }

    /// With the demo's yard and its runs.
    pub fn demo() -> Self {
        let folder = Self::empty();
        copy_demo(folder.path());
        std::fs::rename(folder.file(DEMO_FILE), folder.database()).expect("the demo is there");
        folder
    }

    pub fn path(&self) -> &Path {
        self.place.path()
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.path().join(name)
    }

    pub fn database(&self) -> PathBuf {
        self.file("slackwater.sqlite")
    }

    /// Writes a file of that name.
    ///
    /// # Panics
    /// The disk is full.
    pub fn write(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let file = self.file(name);
        std::fs::write(&file, content).expect("a file is written");
        file
    }

    /// The program in this folder, its words in pipes.
    pub fn command(&self, arguments: impl IntoIterator<Item = impl AsRef<OsStr>>) -> Command {
        let mut command = Command::new(program());
        command
            .args(arguments)
            .current_dir(self.path())
            .env_remove("SLACKWATER_DATABASE")
            .env_remove("SLACKWATER_ORGANISATION")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    /// Runs the program to its end.
    ///
    /// # Panics
    /// It can't be started.
    pub fn run(&self, arguments: impl IntoIterator<Item = impl AsRef<OsStr>>) -> Said {
        Said::of(&self.command(arguments).output().expect("the program starts"))
    }

    /// Loads text as a file of that kind, with further arguments.
    pub fn load(&self, kind: &str, content: impl AsRef<[u8]>, arguments: &[&str]) -> Said {
        let name = format!("{kind}.csv");
        self.write(&name, content);
        self.run(["load", kind, &name].iter().chain(arguments))
    }

    /// Loads what must be right.
    #[track_caller]
    pub fn must_load(&self, kind: &str, content: impl AsRef<[u8]>) -> String {
        self.load(kind, content, &[]).good()
    }

    /// Loads text through standard input.
    ///
    /// # Panics
    /// The program does not take it.
    pub fn load_piped(&self, kind: &str, content: &str) -> Said {
        let mut command = self.command(["load", kind, "-"]);
        let mut child = command.stdin(Stdio::piped()).spawn().expect("the program starts");
        let mut into = child.stdin.take().expect("piped");
        into.write_all(content.as_bytes()).expect("it reads");
        drop(into);
        Said::of(&child.wait_with_output().expect("it ends"))
    }

    /// Every row of every table, as SQLite writes its values.
    pub fn rows(&self) -> BTreeMap<String, Vec<String>> {
        let place = format!("sqlite:{}?mode=ro", self.database().display());
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        runtime.expect("a runtime").block_on(async {
            let connection = Connect::connect(&place).await.expect("the database opens");
            let mut rows = BTreeMap::new();
            for table in texts(&connection, TABLES).await {
                let columns = format!("SELECT name FROM pragma_table_info('{table}')");
                let columns = texts(&connection, &columns).await;
                let quoted: Vec<_> =
                    columns.iter().map(|column| format!("quote(\"{column}\")")).collect();
                let all = format!("SELECT {} FROM \"{table}\" ORDER BY 1", quoted.join("||','||"));
                rows.insert(table, texts(&connection, &all).await);
            }
            connection.close().await.expect("the database closes");
            rows
        })
    }

    /// How many rows a table has.
    pub fn count(&self, table: &str) -> usize {
        self.rows().get(table).map_or(0, Vec::len)
    }
}

const TABLES: &str =
    "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'";

async fn texts(connection: &DatabaseConnection, sql: &str) -> Vec<String> {
    let statement = Statement::from_string(DbBackend::Sqlite, sql);
    let rows = connection.query_all_raw(statement).await.expect("rows");
    rows.iter().map(|row| row.try_get_by_index(0).expect("a text")).collect()
}

/// Copies the demo's database with its log: what is not checkpointed stands there.
///
/// # Panics
/// The demo can't be made.
pub fn copy_demo(to: &Path) {
    for file in std::fs::read_dir(made_demo()).expect("a folder") {
        let file = file.expect("a file");
        std::fs::copy(file.path(), to.join(file.file_name())).expect("a copy");
    }
}

/// The folder of a demo, made once for each build of the program: others copy its files.
fn made_demo() -> PathBuf {
    let built = std::fs::metadata(program()).and_then(|file| file.modified()).expect("a time");
    let age = built.duration_since(std::time::UNIX_EPOCH).expect("after 1970").as_millis();
    let kept = program().with_file_name("../tmp");
    std::fs::create_dir_all(&kept).expect("a folder");
    let made = kept.join(format!("demo-{age}"));
    if !made.exists() {
        let folder = tempfile::tempdir_in(&kept).expect("a folder");
        let status = Command::new(program())
            .args(["demo", "--no-serve", "--no-plans", "--until", DEMO_UNTIL, "--database"])
            .arg(folder.path().join(DEMO_FILE))
            .stdout(Stdio::null())
            .status();
        assert!(status.expect("the program starts").success(), "the demo is made");
        // Two tests may make it at once; either is as good, and the second finds the place taken.
        let moved = std::fs::rename(folder.keep(), &made);
        assert!(moved.is_ok() || made.exists(), "the demo in its place");
    }
    made
}
