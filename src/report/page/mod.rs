//! The test report of a bench session: one page as HTML, Markdown or JSON.
//!
//! The page is built once ([`Page`]); the formats only dress it. Everything that comes from files
//! is escaped, and the HTML loads nothing from outside.

mod escape;
mod json;
mod method;
mod pictures;
mod summary;
mod tables;

pub use escape::MarkdownEscaper;
pub use json::write_json;
pub use summary::summary;

use super::caution::CAUTIONS;
use super::legend::percent;
use super::plot::Plot;
use crate::session::SessionResult;
use askama::Template;
use method::Digest;
use std::io::{self, Write};
use tables::{CaptureLine, CauseLine, Outlook, RemedyTable, TestGroup, TroubleLine};

/// The report of a session, ready to be dressed.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Page {
    title: String,
    facts: Vec<(&'static str, String)>,
    summary: Vec<String>,
    level: String,
    limits_on: Option<String>,
    test_groups: Vec<TestGroup>,
    expanded_given: bool,
    plots: Vec<Picture>,
    remedies: Vec<RemedyTable>,
    outlook: Option<Outlook>,
    wiring: String,
    effects: Vec<(String, String)>,
    contradictions: Vec<String>,
    causes: Vec<CauseLine>,
    captures: Vec<CaptureLine>,
    troubles: Vec<TroubleLine>,
    method: Vec<(&'static str, String)>,
    digests: Vec<Digest>,
    not_covered: Vec<String>,
    cautions: Vec<&'static str>,
    version: &'static str,
}

/// A plot with the sentence below it and, for Markdown, the file it stands in.
#[derive(Debug, Clone)]
struct Picture {
    plot: Plot,
    caption: String,
    link: String,
}

#[derive(Template)]
#[template(path = "page.html", config = "src/report/templates/askama.toml")]
struct HtmlPage<'a> {
    page: &'a Page,
}

#[derive(Template)]
#[template(path = "page.md", config = "src/report/templates/askama.toml")]
struct MarkdownPage<'a> {
    page: &'a Page,
}

impl Page {
    /// Builds the page, plots included.
    #[must_use]
    pub fn new(result: &SessionResult) -> Self {
        let session = &result.session;
        let facts = [
            ("Object", session.object.clone()),
            ("Date", session.date.clone()),
            ("Operator", session.operator.clone()),
            ("Instrument", session.instrument.description.clone()),
            (
                "Wanted signal",
                session
                    .wanted
                    .as_ref()
                    .and_then(|wanted| wanted.description.clone()),
            ),
            ("Remarks", session.remarks.clone()),
        ];
        Self {
            title: session.title.clone(),
            facts: facts
                .into_iter()
                .filter_map(|(name, value)| Some((name, value?)))
                .collect(),
            summary: summary(result),
            level: percent(session.confidence),
            limits_on: tables::limits_on(result),
            test_groups: tables::test_groups(result),
            expanded_given: result.rows.iter().any(|row| row.expanded.is_some()),
            plots: pictures::pictures(result),
            remedies: tables::remedy_tables(result),
            outlook: tables::outlook(result),
            wiring: result.wiring.sentence.clone(),
            effects: result
                .wiring
                .remedies
                .iter()
                .map(|effect| (effect.name.clone(), effect.sentence.clone()))
                .collect(),
            contradictions: result.contradictions.clone(),
            causes: tables::causes(result),
            captures: tables::capture_lines(result),
            troubles: tables::trouble_lines(result),
            method: method::settings(result),
            digests: method::digests(result),
            not_covered: method::not_covered(result),
            cautions: CAUTIONS.to_vec(),
            version: env!("CARGO_PKG_VERSION"),
        }
    }

    /// The page as one HTML file that loads nothing from outside.
    ///
    /// # Errors
    /// Those of the output.
    pub fn write_html(&self, out: &mut impl Write) -> io::Result<()> {
        Template::write_into(&HtmlPage { page: self }, out)
    }

    /// The page as Markdown; its plots are linked as `PREFIX` followed by the plot's file name.
    ///
    /// # Errors
    /// Those of the output.
    pub fn write_markdown(&self, plot_prefix: &str, out: &mut impl Write) -> io::Result<()> {
        let mut page = self.clone();
        for picture in &mut page.plots {
            picture.link = link(&format!("{plot_prefix}{}.svg", picture.plot.name));
        }
        Template::write_into(&MarkdownPage { page: &page }, out)
    }

    /// The plots, for files beside the Markdown: each goes to its name with `.svg`.
    pub fn plots(&self) -> impl Iterator<Item = &Plot> {
        self.plots.iter().map(|picture| &picture.plot)
    }
}

/// A file name as the target of a link in angle brackets.
fn link(file: &str) -> String {
    file.chars()
        .map(|c| match c {
            '<' => "%3C".to_owned(),
            '>' => "%3E".to_owned(),
            '\\' => "%5C".to_owned(),
            c if c.is_control() => String::new(),
            c => c.to_string(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::session::sample;

    #[test]
    fn look() {
        let page = Page::new(&sample::result());
        let mut html = Vec::new();
        page.write_html(&mut html).unwrap();
        std::fs::write("/tmp/session_page.html", html).unwrap();
        let mut md = Vec::new();
        page.write_markdown("plots/", &mut md).unwrap();
        std::fs::write("/tmp/session_page.md", md).unwrap();
        let mut json = Vec::new();
        write_json(&sample::result(), &mut json).unwrap();
        std::fs::write("/tmp/session_page.json", json).unwrap();
    }
}
