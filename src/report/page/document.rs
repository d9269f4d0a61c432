//! The page of a session, and its dress as HTML and Markdown.

use super::captures::{self, CaptureLine};
use super::escape::style_string;
use super::instrument::instrument;
use super::lines::{LinesTable, lines_table};
use super::method;
use super::outlook::{Outlook, outlook};
use super::pictures::{self, Picture};
use super::summary::{cautions, summary};
use super::tables::{self, CauseLine, RemedyTable, TestGroup};
use crate::printable::shown;
use crate::report::plot::Plot;
use crate::session::{SessionResult, Trouble};
use crate::si::percent;
use askama::Template;
use std::io::{self, Write};

/// The report of a session as one page, for HTML or Markdown.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Page {
    title: String,
    facts: Vec<(&'static str, String)>,
    running_head: String,
    report_head: String,
    hazards: Vec<String>,
    summary: Vec<String>,
    level: String,
    limits_on: Option<String>,
    test_groups: Vec<TestGroup>,
    expanded_given: bool,
    plots: Vec<Picture>,
    remedies: Vec<RemedyTable>,
    lines: Option<LinesTable>,
    outlook: Option<Outlook>,
    wiring: String,
    effects: Vec<(String, String)>,
    contradictions: Vec<String>,
    causes: Vec<CauseLine>,
    captures: Vec<CaptureLine>,
    troubles: Vec<Trouble>,
    instrument: Vec<(&'static str, String)>,
    method: Vec<(&'static str, String)>,
    digests: Vec<(String, String)>,
    not_covered: Vec<String>,
    cautions: Vec<String>,
    signatures: Vec<(String, String)>,
    version: &'static str,
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
            ("Report number", session.report_number.clone()),
            ("Customer", session.customer.clone()),
            ("Object", session.object.clone()),
            ("Place of test", session.place.clone()),
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
            running_head: style_string(&session.title),
            report_head: session
                .report_number
                .as_deref()
                .map(style_string)
                .unwrap_or_default(),
            hazards: result.wiring.hazards.clone(),
            summary: summary(result),
            level: percent(session.confidence),
            limits_on: tables::limits_on(result),
            test_groups: tables::test_groups(result),
            expanded_given: result.rows.iter().any(|row| row.expanded.is_some()),
            plots: pictures::pictures(result),
            remedies: tables::remedy_tables(result),
            lines: lines_table(result),
            outlook: outlook(result),
            wiring: result.wiring.sentence.clone(),
            effects: result
                .wiring
                .remedies
                .iter()
                .map(|effect| (effect.name.clone(), effect.sentence.clone()))
                .collect(),
            contradictions: result.contradictions.clone(),
            causes: tables::causes(result),
            captures: captures::capture_lines(result),
            troubles: result.troubles.clone(),
            instrument: instrument(session),
            method: method::settings(result),
            digests: method::digests(result),
            not_covered: method::not_covered(result),
            cautions: cautions(result),
            signatures: session
                .signatures
                .iter()
                .map(|one| (one.role.clone(), one.name.clone().unwrap_or_default()))
                .collect(),
            version: env!("CARGO_PKG_VERSION"),
        }
    }

    /// The page as one HTML file that loads nothing from outside.
    ///
    /// # Errors
    /// Those of the output.
    pub fn write_html(&self, out: &mut impl Write) -> io::Result<()> {
        shown(out, |out| {
            Template::write_into(&HtmlPage { page: self }, out)
        })
    }

    /// The page as Markdown; its [plots](Self::plots) are linked as `plot_prefix` followed by the plot's name and `.svg`,
    /// and stand in files of their own, which the caller writes.
    ///
    /// # Errors
    /// Those of the output.
    pub fn write_markdown(&self, plot_prefix: &str, out: &mut impl Write) -> io::Result<()> {
        let mut page = self.clone();
        for picture in &mut page.plots {
            picture.link = link(&format!("{plot_prefix}{}.svg", picture.plot.name));
        }
        shown(out, |out| {
            Template::write_into(&MarkdownPage { page: &page }, out)
        })
    }

    /// The plots, for files beside the Markdown: each one's `svg` goes to its `name` with `.svg` behind it.
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
    use super::*;
    use crate::report::caution::CAUTIONS;
    use crate::session::sample;

    fn html_of(page: &Page) -> String {
        let mut out = Vec::new();
        page.write_html(&mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    fn markdown_of(page: &Page) -> String {
        let mut out = Vec::new();
        page.write_markdown("report_", &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn nothing_from_files_is_markup() {
        let page = Page::new(&sample::result());
        let html = html_of(&page);
        assert!(html.contains("Load-cell amplifier &#60;bench&#62; &#38; ground loop"));
        assert!(
            !html.contains("<b>on"),
            "markup of a remedy's name came through"
        );
        let markdown = markdown_of(&page);
        assert!(markdown.contains("ferrite \\<b\\>on"));
        let hostile = "x\"); <script>alert(1)</script> \u{1}|\n# y";
        let text = format!(
            "title = {0}\noperator = {0}\n[[remedy]]\nname = {0}\n[[capture]]\nfile = {0}\ncondition = 'isolated'\n[[capture]]\nfile = 'looped_1.csv'\ncondition = 'looped'",
            serde_json::Value::from(hostile)
        );
        let page = Page::new(&sample::result_of(&text));
        assert!(!html_of(&page).contains("<script"));
        for plot in page.plots() {
            assert!(!plot.svg.contains('\u{1}'), "{}", plot.name);
        }
        let markdown = markdown_of(&page);
        assert!(!markdown.contains("\n# y"));
        let open_tags = markdown
            .match_indices('<')
            .filter(|(at, _)| !markdown[..*at].ends_with('\\') && !markdown[..*at].ends_with("]("));
        assert_eq!(open_tags.count(), 0);
    }

    #[test]
    fn the_page_loads_nothing() {
        let html = html_of(&Page::new(&sample::result()));
        let addresses: Vec<&str> = html
            .match_indices("http")
            .map(|(at, _)| &html[at..(at + 40).min(html.len())])
            .filter(|text| {
                !text.starts_with("http://www.w3.org/2000/svg") && !text.starts_with("http-equiv")
            })
            .collect();
        assert!(addresses.is_empty(), "{addresses:?}");
        for word in ["<script", "<img", "<iframe", "@import", "url(", " src="] {
            assert!(!html.contains(word), "{word}");
        }
    }

    #[test]
    fn every_plot_has_marks_a_title_and_a_text_alternative() {
        let page = Page::new(&sample::result());
        let names: Vec<&str> = page.plots().map(|plot| plot.name.as_str()).collect();
        assert_eq!(
            names,
            [
                "waveforms",
                "waveforms_zoom",
                "noise_density",
                "harmonics",
                "taken_away",
                "improvement",
                "folded_cycle",
                "residual_cycle",
                "against_time",
                "scatter"
            ]
        );
        for plot in page.plots() {
            let marks =
                plot.svg.matches("<polyline").count() + plot.svg.matches("<polygon").count();
            assert!(marks > 3, "{}: {marks} marks", plot.name);
            assert!(
                plot.svg
                    .contains(&format!("<title id=\"{}-title\">", plot.name))
            );
            assert!(plot.description.len() > 80, "{}", plot.description);
            assert!(!plot.svg.contains("NaN") && !plot.svg.contains("inf,"));
        }
    }

    #[test]
    fn the_summary_has_five_sentences_at_most() {
        let result = sample::result();
        let sentences = summary(&result);
        assert!((3..=5).contains(&sentences.len()), "{sentences:?}");
        assert!(sentences[0].contains("3.03 mV RMS"), "{sentences:?}");
        assert!(
            sentences[2].contains("\"differential input\""),
            "{sentences:?}"
        );
        assert!(sentences[2].contains("cannot be told from the instrument's own floor"));
    }

    #[test]
    fn what_went_wrong_and_the_cautions_are_told() {
        let page = Page::new(&sample::result());
        for text in [html_of(&page), markdown_of(&page)] {
            for words in [
                "no such file; check its name",
                "412 samples",
                "ranges differ",
            ] {
                assert!(text.contains(words), "{words}");
            }
            for caution in CAUTIONS {
                assert!(
                    text.contains(caution.split('\'').next().unwrap()),
                    "{caution}"
                );
            }
        }
    }

    #[test]
    fn limits_are_judged_with_the_best_remedy() {
        let result = sample::result();
        assert_eq!(result.limits_met(), Some(true));
        assert_eq!(result.remedies[0].name, "differential input");
        assert_eq!(result.remedies[2].name, "ferrite <b>on</b> the lead");
        assert!(result.remedies[2].judgements.iter().all(|j| !j.passed()));
        let html = html_of(&Page::new(&result));
        assert!(html.contains("<span class=\"outcome fail\">FAIL</span>"));
    }

    #[test]
    fn a_limit_on_what_was_not_measured_has_its_row() {
        let text = sample::TEXT.replace(
            "[limits]\n",
            "[limits]\nharmonic_99_rms = \"1u\"\nimprovement.harmonic_99_rms = 20\n",
        );
        let result = sample::result_of(&text);
        assert_eq!(result.limits_met(), Some(false));
        let told = summary(&result).join(" ");
        assert!(
            told.contains("2 of 4 acceptance limits are not shown to be met"),
            "{told}"
        );
        for text in [
            html_of(&Page::new(&result)),
            markdown_of(&Page::new(&result)),
        ] {
            for words in ["Order 99, RMS", "Improvement of order 99, RMS"] {
                let row = &text[text.find(words).unwrap()..];
                let row = &row[..row.find('\n').unwrap()];
                assert!(
                    row.contains("not measured") && row.contains("undecided"),
                    "{row}"
                );
            }
        }
        let one = text.replace("improvement.harmonic_99_rms = 20\n", "");
        let told = summary(&sample::result_of(&one)).join(" ");
        assert!(
            told.contains("1 of 3 acceptance limits is not shown to be met"),
            "{told}"
        );
    }

    #[test]
    fn who_signs_and_what_was_calibrated_is_on_the_page() {
        let head =
            "report_number = 'L-17/2'\ncustomer = 'an invented customer'\nplace = 'bench 3'\n";
        let text = sample::TEXT.replace(
            "bits = 12\n",
            "bits = 12\nserial_number = 4711\ncalibrated = 2025-11-30\n",
        );
        let text = format!("{head}{text}\n[[signature]]\nrole = 'approved'\nname = 'B. Example'\n");
        let page = Page::new(&sample::result_of(&text));
        let html = html_of(&page);
        for words in [
            "an invented customer",
            "bench 3",
            "4711",
            "2025-11-30",
            "B. Example",
            "Certificate</th><td class=\"long\">not stated",
            // The running head's strings hold nothing but letters, digits and escapes.
            "@top-right { content: \"Report L\\2d 17\\2f 2\"",
        ] {
            assert!(html.contains(words), "{words}");
        }
        assert!(markdown_of(&page).contains("- approved: B. Example"));
    }

    /// The differential input takes away most; said to open a protective earth, it comes last and is told first.
    #[test]
    fn a_remedy_that_opens_a_protective_earth_is_never_the_best() {
        let text = sample::TEXT.replace(
            "name = \"differential input\"",
            "name = \"differential input\"\nprotective_earth = \"opened\"",
        );
        let result = sample::result_of(&text);
        assert_eq!(result.best().unwrap().name, "isolator in the computer link");
        assert_eq!(result.remedies[2].name, "differential input");
        for text in [
            html_of(&Page::new(&result)),
            markdown_of(&Page::new(&result)),
        ] {
            let danger = text.find("opens a protective earth").unwrap();
            assert!(danger < text.find("Summary").unwrap());
        }
    }
}
