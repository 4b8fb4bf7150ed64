//! Components (RFC 5545 §3.6): `BEGIN:X … END:X`, nested.

use super::diagnostic::Report;
use super::line::ContentLine;

/// A component with its properties and the components inside it.
#[derive(Debug)]
pub(crate) struct Component {
    /// Name in upper case, e.g. `VEVENT`.
    pub(crate) name: String,
    /// Place of its `BEGIN`.
    pub(crate) at: (usize, usize),
    /// Line of its `END`.
    pub(crate) last_line: usize,
    pub(crate) properties: Vec<ContentLine>,
    pub(crate) children: Vec<Component>,
}

/// Deeper nesting than VCALENDAR > VEVENT > VALARM has no meaning in RFC 5545.
const MAX_DEPTH: usize = 8;

impl Component {
    /// The first property of that name.
    pub(crate) fn property(&self, name: &str) -> Option<&ContentLine> {
        self.properties.iter().find(|p| p.name == name)
    }

    /// All properties of that name.
    pub(crate) fn properties_named<'a>(
        &'a self,
        name: &'a str,
    ) -> impl Iterator<Item = &'a ContentLine> {
        self.properties.iter().filter(move |p| p.name == name)
    }
}

/// Builds the tree; answers the outermost components.
pub(crate) fn build(lines: Vec<ContentLine>, report: &mut Report) -> Vec<Component> {
    let mut roots = Vec::new();
    let mut open: Vec<Component> = Vec::new();
    let mut outside_reported = false;
    for line in lines {
        match line.name.as_str() {
            "BEGIN" => {
                if open.len() >= MAX_DEPTH {
                    report.error(
                        line.at(),
                        "BEGIN",
                        format!("components are nested deeper than {MAX_DEPTH}"),
                        "",
                    );
                    break;
                }
                let name = line.value.trim().to_ascii_uppercase();
                let (at, last_line) = (line.at(), line.at().0);
                open.push(Component {
                    name,
                    at,
                    last_line,
                    properties: Vec::new(),
                    children: Vec::new(),
                });
            }
            "END" => close(&line, &mut open, &mut roots, report),
            _ => match open.last_mut() {
                Some(component) => component.properties.push(line),
                None if outside_reported => {}
                None => {
                    outside_reported = true;
                    report.error(
                        line.at(),
                        &line.name,
                        "this line stands outside BEGIN:VCALENDAR … END:VCALENDAR",
                        "an iCalendar file begins with BEGIN:VCALENDAR",
                    );
                }
            },
        }
    }
    while let Some(component) = open.pop() {
        report.error(
            component.at,
            "BEGIN",
            format!("{} is never closed", component.name),
            format!("add END:{}", component.name),
        );
        place(component, &mut open, &mut roots);
    }
    roots
}

fn close(
    line: &ContentLine,
    open: &mut Vec<Component>,
    roots: &mut Vec<Component>,
    report: &mut Report,
) {
    let name = line.value.trim().to_ascii_uppercase();
    let Some(depth) = open.iter().rposition(|c| c.name == name) else {
        report.error(
            line.at(),
            "END",
            format!("END:{name} has no BEGIN:{name}"),
            "remove this line",
        );
        return;
    };
    while let Some(mut component) = open.pop() {
        let matches = open.len() == depth;
        component.last_line = line.at().0;
        if !matches {
            report.error(
                component.at,
                "BEGIN",
                format!(
                    "{} is not closed before END:{name} in line {}",
                    component.name,
                    line.at().0
                ),
                format!("add END:{}", component.name),
            );
        }
        place(component, open, roots);
        if matches {
            return;
        }
    }
}

fn place(component: Component, open: &mut [Component], roots: &mut Vec<Component>) {
    match open.last_mut() {
        Some(parent) => parent.children.push(component),
        None => roots.push(component),
    }
}
