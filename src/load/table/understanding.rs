//! From the front of a text to the table that it holds.

use crate::load::options::LoadOptions;
use crate::load::preamble::fact::{self, Fact};
use crate::load::preamble::setting;
use crate::load::table::body::{Body, declared_delimiter};
use crate::load::table::columns::{Role, columns_of};
use crate::load::table::kinds::Kind;
use crate::load::table::labels::{Labels, labels};
use crate::load::table::layout::{Evidence, Layout};
use crate::load::table::names::Header;
use crate::load::table::probe::Probe;
use crate::load::table::refusal::{has_thousands, thousands};
use crate::load::table::roles::assign_roles;
use crate::load::text::dialect::Dialect;
use crate::load::text::head::{Head, Line};
use crate::load::vocabulary::meaning::Meaning;
use crate::{Error, ErrorKind};

/// Statements used at most.
const FACTS_MOST: usize = 1000;

/// Lines of a preamble looked at for statements, at its begin and at its end.
const STATEMENT_LINES: usize = 10_000;

/// Understands a table from its head.
pub(crate) fn understand(
    head: &Head<'_>,
    options: &LoadOptions,
) -> Result<(Layout, Evidence), Error> {
    let declared = declared_delimiter(&head.lines);
    let skip = usize::from(declared.is_some());
    let lines = &head.lines[skip..];
    let body = Body::of(lines, declared, head.whole)?;
    let (above, kinds) = (&lines[..body.first_row], &body.kinds);
    let header = Header::of(lines, body.first_row, body.dialect, kinds)?;
    let Header {
        titles,
        line: header_line,
        units_line,
        mut facts,
    } = header;
    let record = (0..kinds.len()).find(|i| kinds[*i] == Kind::Number && titles[*i].says_record());
    let mut probe = Probe::of(lines, &body, record, head.whole);
    let of_header = |line: &Line<'_>| [header_line, units_line].contains(&Some(line.number));
    facts_of_preamble(above, of_header, body.dialect, &mut facts);
    facts.append(&mut probe.facts);
    let known: Vec<(Meaning, Fact)> = facts
        .into_iter()
        .filter_map(|fact| Some((fact.meaning(body.dialect.decimal_mark)?, fact)))
        .take(FACTS_MOST)
        .collect();
    let mut columns = columns_of(kinds, titles, &probe.rows, &probe.texts);
    assign_roles(&mut columns, &probe.rows, &known, options);
    let header = above
        .iter()
        .find(|line| Some(line.number) == header_line)
        .map(|line| line.text.trim().to_string());
    let label = columns.iter().position(|c| c.role == Role::Label);
    let time = columns
        .iter()
        .position(|c| c.role == Role::Time && c.kind == Kind::Number);
    let layout = Layout {
        dialect: body.dialect,
        facts: known,
        header_line,
        header,
        units_line,
        columns,
        first_row: body.first_row + skip,
        may_be_labelled: label.is_some() && time.is_some(),
    };
    let (rows, width) = (&lines[body.first_row..], kinds.len());
    require_signals(&layout, &rows[0])?;
    let labels = label
        .zip(time)
        .filter(|_| head.whole)
        .and_then(|(label, time)| {
            Some(Labels {
                column: label,
                numbered: kinds[label] == Kind::Number,
                names: labels(rows, body.dialect, width, label, time)?,
                of_rows: std::mem::take(&mut probe.texts[label]),
            })
        });
    let evidence = Evidence {
        terminator: head.terminator,
        offset: rows[0].offset,
        line: rows[0].number,
        rows: probe.rows,
        blanks: probe.blanks,
        loose_hz: loose_rate(above),
        labels,
    };
    Ok((layout, evidence))
}

/// Refuses a table without a column of samples.
fn require_signals(layout: &Layout, first: &Line<'_>) -> Result<(), Error> {
    if !layout.signals().is_empty() {
        return Ok(());
    }
    if has_thousands(&first.text) {
        return Err(thousands().at_line(first.number));
    }
    let what = if layout.columns.iter().any(|c| c.role == Role::Time) {
        "there is a time column but no column of samples beside it"
    } else {
        "no column holds samples"
    };
    Err(ErrorKind::NoSamples
        .error(format!("{what}; export the capture with its data"))
        .at_line(first.number))
}

/// The statements of the lines in front of the data, the header's left out.
fn facts_of_preamble(
    lines: &[Line<'_>],
    of_header: impl Fn(&Line<'_>) -> bool,
    dialect: Dialect,
    facts: &mut Vec<Fact>,
) {
    let (begin, end) = if lines.len() > 2 * STATEMENT_LINES {
        let (begin, rest) = lines.split_at(STATEMENT_LINES);
        (begin, &rest[rest.len() - STATEMENT_LINES..])
    } else {
        lines.split_at(0)
    };
    for line in begin.iter().chain(end).filter(|line| !of_header(line)) {
        fact::facts_of(&line.text, line.number, dialect, facts);
    }
    for pair in begin.windows(2).chain(end.windows(2)) {
        let (keys, values) = (&pair[0].text, &pair[1].text);
        fact::facts_of_rows(keys, values, pair[1].number, dialect, facts);
    }
}

/// A rate named without a key in front of the data, Hz.
fn loose_rate(lines: &[Line<'_>]) -> Option<f64> {
    lines
        .iter()
        .filter(|line| line.text.contains(|c: char| c.is_ascii_digit()))
        .find_map(|line| setting::loose_rate(&line.text))
}
