//! A plot as a picture: title, drawing, text alternative.

use super::trace::with_dashes;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

pub(in crate::report::plot) type Drawn<T> = Result<T, DrawingAreaErrorKind<std::io::Error>>;
pub(in crate::report::plot) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

pub(in crate::report::plot) const WIDTH: u32 = 1110;
pub(in crate::report::plot) const INK: RGBColor = RGBColor(30, 30, 30);
/// What the title takes.
pub(in crate::report::plot) const TITLE: u32 = 66;
const FONT: &str = "sans-serif";

/// A drawn plot.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Plot {
    /// Name for a file and for links within a page: `noise_density`, ...
    pub name: String,
    /// Title.
    pub title: String,
    /// Text alternative: what the plot shows, with its main numbers.
    pub description: String,
    /// The picture.
    pub svg: String,
    /// Its height beside a width of 1110.
    pub height: u32,
}

pub(in crate::report::plot) fn text_style(size: f64) -> TextStyle<'static> {
    (FONT, size).into_font().color(&INK)
}

/// What stands around a drawing.
pub(in crate::report::plot) struct Frame {
    pub name: &'static str,
    pub title: &'static str,
    /// Text alternative.
    pub description: String,
    pub height: u32,
}

impl Frame {
    /// A frame whose height is still to be worked out.
    pub(in crate::report::plot) fn new(
        name: &'static str,
        title: &'static str,
        description: String,
    ) -> Self {
        Self {
            name,
            title,
            description,
            height: 0,
        }
    }

    /// The plot with this drawing below its title.
    pub(in crate::report::plot) fn around(
        self,
        draw: impl FnOnce(&Area<'_>) -> Drawn<()>,
    ) -> Option<Plot> {
        let Self {
            name,
            title,
            description,
            height,
        } = self;
        let mut svg = String::new();
        {
            let area = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
            area.fill(&WHITE).ok()?;
            let anchor = Pos::new(HPos::Left, VPos::Top);
            area.draw(&Text::new(
                title.to_owned(),
                (24, 14),
                (FONT, 42.0, FontStyle::Bold)
                    .into_font()
                    .color(&INK)
                    .pos(anchor),
            ))
            .ok()?;
            let (_, body) = area.split_vertically(TITLE as i32);
            draw(&body).ok()?;
            area.present().ok()?;
        }
        let start = svg.find('>')? + 1;
        let rest = with_dashes(svg.get(start..)?);
        let svg = format!(
            "<svg viewBox=\"0 0 {WIDTH} {height}\" xmlns=\"http://www.w3.org/2000/svg\" preserveAspectRatio=\"xMinYMid\" role=\"img\" aria-labelledby=\"{name}-title {name}-text\" stroke-linejoin=\"round\">\n<title id=\"{name}-title\">{}</title>\n<desc id=\"{name}-text\">{}</desc>{rest}",
            escaped(title),
            escaped(&description)
        );
        Some(Plot {
            name: name.into(),
            title: title.into(),
            description,
            svg,
            height,
        })
    }
}

/// A colour as SVG writes it.
pub(in crate::report::plot) fn svg_color(color: RGBColor) -> String {
    let RGBColor(red, green, blue) = color;
    format!("#{red:02x}{green:02x}{blue:02x}")
}

/// Text fit for XML: markup escaped, control characters gone.
pub(in crate::report::plot) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}
