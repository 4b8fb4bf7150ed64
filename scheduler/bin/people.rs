//! `leeside people`: who may sign in to the page, and what they may do there.

use crate::exit::Broken;
use crate::given;
use anyhow::{Context, anyhow};
use chrono::Datelike;
use clap::{Args, Subcommand, ValueEnum};
use leeside_config::Site;
use leeside_page::people::{People, PeopleError, Person, Role, hash};
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::process::{Command, ExitCode, Stdio};

/// Who may sign in to the page
///
/// They stand in the file that the site file names as people_file in its page table,
/// each with a role and an argon2 hash of the password. A running service takes a
/// change up by itself.
#[derive(Debug, Subcommand)]
pub(crate) enum PeopleArgs {
    /// Add somebody; the password is read from standard input
    Add(AddArgs),
    /// List everybody
    List(SiteArgs),
    /// Take somebody out; who is signed in is signed out
    Remove(NameArgs),
    /// Change somebody's role and rooms
    Role(RoleArgs),
    /// Change somebody's password; it is read from standard input
    Password(NameArgs),
}

#[derive(Debug, Args)]
pub(crate) struct SiteArgs {
    /// The site file
    site: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct NameArgs {
    /// The site file
    site: PathBuf,
    /// Who
    name: String,
}

#[derive(Debug, Args)]
pub(crate) struct AddArgs {
    /// The site file
    site: PathBuf,
    /// The name to sign in with
    name: String,
    /// What they may do
    #[arg(long, value_enum)]
    role: RoleChoice,
    /// A room whose groups they may move; may be given several times [default: all]
    #[arg(long, value_name = "NAME")]
    room: Vec<String>,
}

#[derive(Debug, Args)]
pub(crate) struct RoleArgs {
    /// The site file
    site: PathBuf,
    /// Who
    name: String,
    /// What they may do from now on
    #[arg(value_enum)]
    role: RoleChoice,
    /// A room whose groups they may move; may be given several times [default: all]
    #[arg(long, value_name = "NAME")]
    room: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum RoleChoice {
    /// Look at everything
    Look,
    /// Also move drives, set service, acknowledge
    Operate,
    /// Also edit calendars, leave out sensors, load the site file anew
    Configure,
}

impl From<RoleChoice> for Role {
    fn from(choice: RoleChoice) -> Self {
        match choice {
            RoleChoice::Look => Self::Look,
            RoleChoice::Operate => Self::Operate,
            RoleChoice::Configure => Self::Configure,
        }
    }
}

fn broken(error: PeopleError) -> anyhow::Error {
    match error {
        PeopleError::File { .. } => anyhow!(error),
        PeopleError::Form { .. } | PeopleError::Nonsense(_) => anyhow!(Broken(error.to_string())),
    }
}

/// The site, its people file, and who stands in it.
struct Book {
    site: Site,
    path: PathBuf,
    people: People,
}

fn open(site: &std::path::Path) -> anyhow::Result<Book> {
    let site = given::site(site, chrono::Utc::now().year())?;
    let path = site.wire.page.people_file.clone().ok_or_else(|| {
        anyhow!(Broken(
            "the site file names no people file; add people_file = \"people.toml\" under [page]"
                .to_owned()
        ))
    })?;
    let people = People::read(&path).map_err(broken)?;
    Ok(Book { site, path, people })
}

impl Book {
    fn check_rooms(&self, rooms: &[String]) -> anyhow::Result<()> {
        let unknown = rooms
            .iter()
            .find(|room| self.site.model.room_named(room).is_none());
        match unknown {
            None => Ok(()),
            Some(room) => Err(anyhow!(Broken(format!(
                "no room is called {room:?}; the site file has: {}",
                self.site
                    .model
                    .rooms
                    .iter()
                    .map(|room| room.name.as_str())
                    .collect::<Vec<_>>()
                    .join(", ")
            )))),
        }
    }

    fn write(&self, done: &str) -> anyhow::Result<()> {
        self.people.write(&self.path).map_err(broken)?;
        given::print(&format!("{done}; {}\n", self.path.display()))
    }
}

/// Runs the command.
pub(crate) fn run(args: PeopleArgs) -> anyhow::Result<ExitCode> {
    match args {
        PeopleArgs::List(args) => {
            let book = open(&args.site)?;
            let lines = book.people.all.iter().map(|person| {
                let rooms = if person.rooms.is_empty() {
                    "all rooms".to_owned()
                } else {
                    person.rooms.join(", ")
                };
                format!("{:<24} {:<10} {rooms}\n", person.name, person.role.as_str())
            });
            given::print(&lines.collect::<String>())?;
        }
        PeopleArgs::Add(args) => {
            let mut book = open(&args.site)?;
            book.check_rooms(&args.room)?;
            // Refused before anybody has to think of a password.
            if book.people.named(&args.name).is_some() {
                return Err(anyhow!(Broken(format!(
                    "{:?} is in the people file already",
                    args.name
                ))));
            }
            let person = Person {
                name: args.name.clone(),
                role: args.role.into(),
                rooms: args.room,
                password: hash(&args.name, &password()?).map_err(broken)?,
            };
            book.people.add(person).map_err(broken)?;
            book.write(&format!("added {}", args.name))?;
        }
        PeopleArgs::Remove(args) => {
            let mut book = open(&args.site)?;
            book.people.remove(&args.name).map_err(broken)?;
            book.write(&format!("removed {}", args.name))?;
        }
        PeopleArgs::Role(args) => {
            let mut book = open(&args.site)?;
            book.check_rooms(&args.room)?;
            let person = book.people.change(&args.name).map_err(broken)?;
            person.role = args.role.into();
            person.rooms = args.room;
            let done = format!("{} may {} from now on", person.name, person.role.as_str());
            book.write(&done)?;
        }
        PeopleArgs::Password(args) => {
            let mut book = open(&args.site)?;
            book.people.change(&args.name).map_err(broken)?;
            let hashed = hash(&args.name, &password()?).map_err(broken)?;
            book.people.change(&args.name).map_err(broken)?.password = hashed;
            book.write(&format!("{} has a new password", args.name))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// The first line of standard input; at a terminal it is asked for and not shown.
fn password() -> anyhow::Result<String> {
    let input = std::io::stdin();
    let asks = input.is_terminal();
    if asks {
        write!(std::io::stderr().lock(), "Password: ")?;
        echo(false);
    }
    let mut line = String::new();
    let read = input.read_line(&mut line);
    if asks {
        echo(true);
        writeln!(std::io::stderr().lock())?;
    }
    read.context("the password could not be read")?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}

/// Whether the terminal shows what is typed. Where that cannot be set, it does.
fn echo(on: bool) {
    let _ = Command::new("stty")
        .arg(if on { "echo" } else { "-echo" })
        .stdin(Stdio::inherit())
        .status();
}
