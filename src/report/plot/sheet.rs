//! Several plots on one sheet, with headings and sentences.

use super::drawing::picture::{INK, Plot, WIDTH, escaped, svg_color};
use crate::wrap;

const MARGIN: u32 = 24;
const HEADING: u32 = 40;
const SENTENCE: u32 = 23;
/// Characters of a heading that fit the width.
const HEADING_CHARACTERS: usize = 46;

/// A picture of its own: plots one below the other.
#[derive(Debug, Clone, Default)]
pub struct Sheet {
    body: String,
    height: u32,
    plots: usize,
}

impl Sheet {
    /// An empty sheet.
    #[must_use]
    pub fn new() -> Self {
        Self {
            height: MARGIN,
            ..Self::default()
        }
    }

    /// A heading; of a long one its end is shown, where a path has its file.
    pub fn heading(&mut self, text: &str) {
        let long = text.chars().count();
        let text = if long > HEADING_CHARACTERS {
            let end: String = text.chars().skip(long - HEADING_CHARACTERS + 1).collect();
            format!("…{end}")
        } else {
            text.to_owned()
        };
        if self.plots > 0 {
            self.height += HEADING;
        }
        self.text(&text, HEADING, "bold");
        self.height += 16;
    }

    /// A sentence in lines.
    pub fn sentence(&mut self, text: &str) {
        for line in wrap::lines("", text, wrap::WIDTH) {
            self.text(&line, SENTENCE, "normal");
        }
        self.height += 16;
    }

    /// A plot.
    pub fn plot(&mut self, plot: &Plot) {
        self.plots += 1;
        // Names of parts are unique on a page.
        let part = |end: &str| format!("{}-{end}", plot.name);
        let own = |end: &str| format!("{}-{}-{end}", plot.name, self.plots);
        let svg = plot
            .svg
            .replace(&part("title"), &own("title"))
            .replace(&part("text"), &own("text"))
            .replacen(
                "<svg ",
                &format!(
                    "<svg x=\"0\" y=\"{}\" width=\"{WIDTH}\" height=\"{}\" ",
                    self.height, plot.height
                ),
                1,
            );
        self.body.push_str(&svg);
        self.body.push('\n');
        self.height += plot.height + 24;
    }

    /// Whether there is no plot on it.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.plots == 0
    }

    /// The picture.
    #[must_use]
    pub fn svg(&self) -> String {
        let height = self.height + MARGIN;
        format!(
            "<svg viewBox=\"0 0 {WIDTH} {height}\" xmlns=\"http://www.w3.org/2000/svg\">\n<rect width=\"{WIDTH}\" \
             height=\"{height}\" fill=\"#ffffff\"/>\n{}</svg>\n",
            self.body
        )
    }

    fn text(&mut self, text: &str, size: u32, weight: &str) {
        self.height += size * 5 / 4;
        self.body.push_str(&format!(
            "<text x=\"{MARGIN}\" y=\"{}\" font-family=\"sans-serif\" font-size=\"{size}\" font-weight=\"{weight}\" \
             fill=\"{}\">{}</text>\n",
            self.height - size / 4,
            svg_color(INK),
            escaped(text)
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Role, Trace, waveform};
    use super::*;
    use crate::capture::Snippet;

    #[test]
    fn parts_keep_apart_and_names_are_no_markup() {
        let data = Snippet {
            sample_rate_hz: 100.0,
            samples: vec![0.0, 1.0, 0.0],
        };
        let plot = waveform(&[Trace::new(Role::Looped, "a", data)], "Waveform", "V").unwrap();
        let mut sheet = Sheet::new();
        assert!(sheet.is_empty());
        sheet.heading(&format!("{}/<b>.csv", "long".repeat(40)));
        sheet.plot(&plot);
        sheet.plot(&plot);
        sheet.sentence("Intervals & so on.");
        let svg = sheet.svg();
        for words in [
            "id=\"waveform-1-title\"",
            "id=\"waveform-2-title\"",
            "/&lt;b&gt;.csv",
            "Intervals &amp; so on.",
        ] {
            assert!(svg.contains(words), "{words}: {svg}");
        }
        assert_eq!(svg.matches("<svg ").count(), 3);
        assert_eq!(svg.matches("</svg>").count(), 3);
    }
}
