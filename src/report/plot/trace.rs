//! What a line or marker stands for, and how it looks.

use plotters::style::RGBColor;

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

/// Form of a point's marker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Marker {
    Circle,
    Square,
    Triangle,
    DownTriangle,
    Diamond,
}

/// How a trace looks; colours from a set that stays distinct in the common colour-vision
/// deficiencies and differs in lightness too.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Look {
    pub color: RGBColor,
    pub width: u32,
    /// Length of dash and gap; `None` is a full line.
    pub dash: Option<(i32, i32)>,
    pub marker: Marker,
}

impl Role {
    pub(super) fn look(self) -> Look {
        let look = |color, width, dash, marker| Look {
            color,
            width,
            dash,
            marker,
        };
        match self {
            Self::Baseline => look(RGBColor(95, 95, 95), 3, Some((4, 6)), Marker::Circle),
            Self::Looped => look(RGBColor(200, 80, 0), 4, None, Marker::Square),
            Self::Remedy(rank) => match rank % 3 {
                0 => look(RGBColor(0, 90, 160), 4, Some((18, 8)), Marker::Triangle),
                1 => look(RGBColor(0, 140, 105), 4, Some((9, 9)), Marker::Diamond),
                _ => look(
                    RGBColor(165, 70, 130),
                    3,
                    Some((28, 6)),
                    Marker::DownTriangle,
                ),
            },
        }
    }
}
