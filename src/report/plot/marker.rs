//! Markers of points, filled or hollow.

use super::trace::{Look, Marker};
use plotters::element::{ComposedElement, EmptyElement, PathElement, Polygon};
use plotters::prelude::SVGBackend;
use plotters::style::{Color, WHITE};

const REACH: i32 = 9;

type Offset = (i32, i32);
type MarkerElement<'b, C> =
    ComposedElement<C, SVGBackend<'b>, Polygon<Offset>, PathElement<Offset>>;

/// A marker centred on a point; hollow where the figure is not resolved.
pub(super) fn marker<'b, C>(at: C, look: Look, filled: bool) -> MarkerElement<'b, C> {
    let corners = corners(look.marker);
    let mut outline = corners.clone();
    outline.extend(corners.first());
    let fill = if filled {
        look.color.filled()
    } else {
        WHITE.filled()
    };
    EmptyElement::at(at)
        + Polygon::new(corners, fill)
        + PathElement::new(outline, look.color.stroke_width(3))
}

fn corners(marker: Marker) -> Vec<(i32, i32)> {
    let polygon = |sides: u32, reach: f64, turn: f64| {
        (0..sides)
            .map(|i| {
                let angle = std::f64::consts::TAU * (f64::from(i) / f64::from(sides) + turn);
                let (sine, cosine) = angle.sin_cos();
                (
                    (reach * cosine).round() as i32,
                    (reach * sine).round() as i32,
                )
            })
            .collect()
    };
    let reach = f64::from(REACH);
    match marker {
        Marker::Circle => polygon(20, reach, 0.0),
        Marker::Square => polygon(4, 1.35 * reach, 0.125),
        Marker::Triangle => polygon(3, 1.4 * reach, 0.75),
        Marker::Diamond => polygon(4, 1.4 * reach, 0.0),
        Marker::DownTriangle => polygon(3, 1.4 * reach, 0.25),
    }
}
