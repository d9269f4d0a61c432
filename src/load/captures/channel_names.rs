//! What the channels are called.

use crate::capture::twins_numbered;
use crate::load::preamble::fact::Fact;
use crate::load::table::columns::Column;
use crate::load::unit;
use crate::load::vocabulary::meaning::Meaning;

/// Words that head any column of samples.
const ANY_NAME: [&str; 10] = [
    "data", "value", "values", "sample", "samples", "reading", "readings", "curve", "waveform",
    "trace",
];

/// Names from the header, or from the statements where it has none to tell; 1-based numbers where
/// neither does; twins numbered.
pub(crate) fn channel_names(
    columns: &[Column],
    signals: &[usize],
    facts: &[(Meaning, Fact)],
) -> Vec<String> {
    let stated: Vec<Stated<'_>> = facts
        .iter()
        .filter(|(meaning, _)| *meaning == Meaning::ChannelName)
        .map(|(_, fact)| (fact, fact.values.iter().filter(|v| !v.is_empty()).collect()))
        .collect();
    let names = signals.iter().enumerate().map(|(order, column)| {
        let name = &columns[*column].title.name;
        let any = name.is_empty()
            || signals.len() == 1 && ANY_NAME.contains(&name.to_lowercase().as_str());
        match stated_name(&stated, *column, order, signals.len()).filter(|_| any) {
            Some(stated) => stated.to_string(),
            None if name.is_empty() => (order + 1).to_string(),
            None => name.clone(),
        }
    });
    twins_numbered(names)
}

/// A statement of names, and those that are not blank.
type Stated<'a> = (&'a Fact, Vec<&'a String>);

/// The name that a statement gives a column: in order, by position, or the only one.
fn stated_name<'a>(
    stated: &[Stated<'a>],
    column: usize,
    order: usize,
    channels: usize,
) -> Option<&'a str> {
    stated.iter().find_map(|(fact, names)| {
        let name = if names.len() == channels {
            Some(names[order])
        } else if names.len() > channels && channels > 1 {
            fact.values.get(column.checked_sub(1)?)
        } else {
            None
        };
        name.filter(|name| !name.is_empty() && !unit::is_unit(name))
            .map(String::as_str)
    })
}
