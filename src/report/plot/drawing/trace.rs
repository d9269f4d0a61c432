//! What a line or marker stands for, and how it looks.

use plotters::style::{Color, RGBColor, ShapeStyle};

/// What a trace stands for; it decides colour, line style and marker alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Probe shorted.
    Baseline,
    /// Loop closed.
    Looped,
    /// Loop broken by the remedy of this rank, 0 the best.
    Remedy(usize),
}

/// A named thing to draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace<T> {
    /// What it stands for.
    pub role: Role,
    /// Its name in the legend.
    pub label: String,
    /// What is drawn.
    pub data: T,
}

impl<T> Trace<T> {
    /// A named thing to draw.
    #[must_use]
    pub fn new(role: Role, label: impl Into<String>, data: T) -> Self {
        Self {
            role,
            label: label.into(),
            data,
        }
    }
}

/// Remedies that a plot can keep apart; none repeats another's colour, line or marker.
pub const MOST_REMEDIES: usize = 8;

/// Form of a point's marker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::report::plot) enum Marker {
    Circle,
    Square,
    Triangle,
    DownTriangle,
    LeftTriangle,
    RightTriangle,
    Diamond,
    Plus,
    Saltire,
    Star,
}

/// How a trace looks; colours from a set that stays distinct in the common colour-vision
/// deficiencies and differs in lightness too.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::report::plot) struct Look {
    pub color: RGBColor,
    pub width: u32,
    /// Length of dash and gap; `None` is a full line.
    pub dash: Option<(i32, i32)>,
    pub marker: Marker,
}

impl Look {
    /// The style of a line. Dashes are written as a width that no line has; [`with_dashes`] puts them in its place.
    pub(in crate::report::plot) fn stroke(self) -> ShapeStyle {
        self.color.stroke_width(match self.dash {
            None => self.width,
            Some(_) => self.dash_code(),
        })
    }

    fn dash_code(self) -> u32 {
        let (dash, gap) = self.dash.unwrap_or_default();
        10_000 + 100 * dash.unsigned_abs() + gap.unsigned_abs()
    }
}

/// The picture with the dashes of its lines.
pub(in crate::report::plot) fn with_dashes(svg: &str) -> String {
    let remedies = (0..MOST_REMEDIES).map(Role::Remedy);
    let roles = [Role::Baseline, Role::Looped].into_iter().chain(remedies);
    roles.map(Role::look).fold(svg.to_owned(), |svg, look| {
        let Some((dash, gap)) = look.dash else {
            return svg;
        };
        svg.replace(
            &format!("stroke-width=\"{}\"", look.dash_code()),
            &format!(
                "stroke-width=\"{}\" stroke-dasharray=\"{dash},{gap}\"",
                look.width
            ),
        )
    })
}

/// Colour, dash and gap, marker of the remedies by rank.
const REMEDIES: [(RGBColor, (i32, i32), Marker); MOST_REMEDIES] = [
    (RGBColor(0, 90, 160), (18, 8), Marker::Triangle),
    (RGBColor(0, 140, 105), (9, 9), Marker::Diamond),
    (RGBColor(165, 70, 130), (28, 6), Marker::DownTriangle),
    (RGBColor(110, 70, 15), (14, 4), Marker::Plus),
    (RGBColor(60, 145, 215), (36, 12), Marker::Star),
    (RGBColor(160, 125, 0), (5, 5), Marker::LeftTriangle),
    (RGBColor(75, 50, 150), (22, 18), Marker::Saltire),
    (RGBColor(205, 95, 140), (12, 14), Marker::RightTriangle),
];

impl Role {
    pub(in crate::report::plot) fn look(self) -> Look {
        let look = |color, width, dash, marker| Look {
            color,
            width,
            dash,
            marker,
        };
        match self {
            Self::Baseline => look(RGBColor(95, 95, 95), 3, Some((4, 6)), Marker::Circle),
            Self::Looped => look(RGBColor(200, 80, 0), 4, None, Marker::Square),
            Self::Remedy(rank) => {
                let (color, dash, marker) = REMEDIES[rank % MOST_REMEDIES];
                look(color, 4, Some(dash), marker)
            }
        }
    }

    /// Whether it is a remedy's.
    pub(in crate::report::plot) fn is_remedy(self) -> bool {
        matches!(self, Self::Remedy(_))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_of_a_plot_look_alike() {
        let remedies = (0..MOST_REMEDIES).map(Role::Remedy);
        let looks: Vec<Look> = [Role::Baseline, Role::Looped]
            .into_iter()
            .chain(remedies)
            .map(Role::look)
            .collect();
        for (index, one) in looks.iter().enumerate() {
            for other in &looks[index + 1..] {
                assert_ne!(one.color, other.color);
                assert_ne!(one.dash, other.dash);
                assert_ne!(one.marker, other.marker);
            }
        }
    }

    /// Contrast on white of 3 to 1 at least, as WCAG 2.2 asks of graphical objects (success criterion 1.4.11).
    #[test]
    fn every_colour_stands_out_from_white() {
        let linear = |part: u8| {
            let part = f64::from(part) / 255.0;
            if part <= 0.04045 {
                part / 12.92
            } else {
                ((part + 0.055) / 1.055).powf(2.4)
            }
        };
        let remedies = (0..MOST_REMEDIES).map(Role::Remedy);
        for role in [Role::Baseline, Role::Looped].into_iter().chain(remedies) {
            let RGBColor(red, green, blue) = role.look().color;
            let light = 0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue);
            let contrast = 1.05 / (light + 0.05);
            assert!(contrast >= 3.0, "{role:?}: {contrast}");
        }
    }
}
