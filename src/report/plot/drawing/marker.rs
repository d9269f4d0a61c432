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
pub(in crate::report::plot) fn marker<'b, C>(
    at: C,
    look: Look,
    filled: bool,
) -> MarkerElement<'b, C> {
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

/// A point each at `outer`, between them notches at `inner`.
fn star(points: u32, outer: f64, inner: f64, turn: f64) -> Vec<(i32, i32)> {
    (0..2 * points)
        .map(|i| {
            let angle = std::f64::consts::TAU * (f64::from(i) / f64::from(2 * points) + turn);
            let reach = if i % 2 == 0 { outer } else { inner };
            (
                (reach * angle.cos()).round() as i32,
                (reach * angle.sin()).round() as i32,
            )
        })
        .collect()
}

/// Two bars across each other, three times as long as they are wide.
fn cross(reach: f64, turn: f64) -> Vec<(i32, i32)> {
    let (long, wide) = (reach, reach / 3.0);
    let (sine, cosine) = (std::f64::consts::TAU * turn).sin_cos();
    let bar = [(long, -wide), (long, wide), (wide, wide)];
    (0..4)
        .flat_map(|quarter| {
            bar.map(|(x, y)| match quarter {
                0 => (x, y),
                1 => (-y, x),
                2 => (-x, -y),
                _ => (y, -x),
            })
        })
        .map(|(x, y)| {
            (
                (x * cosine - y * sine).round() as i32,
                (x * sine + y * cosine).round() as i32,
            )
        })
        .collect()
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
        Marker::LeftTriangle => polygon(3, 1.4 * reach, 0.5),
        Marker::RightTriangle => polygon(3, 1.4 * reach, 0.0),
        Marker::Star => star(5, 1.5 * reach, 0.6 * reach, 0.75),
        Marker::Plus => cross(1.3 * reach, 0.0),
        Marker::Saltire => cross(1.3 * reach, 0.125),
    }
}
