//! Charts one above the other that share their horizontal axis.

use super::axis::Axis;
use super::chart::{
    Chart, LABELS, LegendEntry, MARGIN, NAME, chart_with_room, left_room, legend, legend_height,
};
use super::picture::{Drawn, Frame, Plot, TITLE};
use super::trace::Trace;

/// Remedies that one panel shows.
const REMEDIES: usize = 3;

/// One chart of several, and what is drawn in it.
pub(in crate::report::plot) struct Panel<'p> {
    pub y: Axis,
    /// Of the chart itself, without legend and labels.
    pub height: u32,
    /// Above it; empty where one legend serves all panels.
    pub legend: Vec<LegendEntry>,
    pub draw: Draw<'p>,
}

pub(in crate::report::plot) type Draw<'p> = Box<dyn Fn(&mut Chart<'_, '_>) -> Drawn<()> + 'p>;

impl Panel<'_> {
    fn whole_height(&self) -> u32 {
        legend_height(&self.legend) + self.height + 2 * MARGIN + LABELS
    }
}

/// The plot of panels one above the other, as high as they need, below a legend that serves them all; only the last one's
/// horizontal axis has its name. The frame's own height does not count.
pub(in crate::report::plot) fn stacked(
    frame: Frame,
    top: &[LegendEntry],
    x: &Axis,
    panels: &[Panel<'_>],
) -> Option<Plot> {
    let room = panels.iter().map(|panel| left_room(&panel.y)).max()?;
    let heights = panels.iter().map(Panel::whole_height);
    let frame = Frame {
        height: TITLE + legend_height(top) + heights.sum::<u32>() + NAME,
        ..frame
    };
    frame.around(|area| {
        let mut rest = legend(area, top)?;
        for (index, panel) in panels.iter().enumerate() {
            let last = index + 1 == panels.len();
            let part = if last {
                rest.clone()
            } else {
                let (part, below) = rest.split_vertically(panel.whole_height() as i32);
                rest = below;
                part
            };
            let axis = if last { x.clone() } else { x.unnamed() };
            let part = legend(&part, &panel.legend)?;
            (panel.draw)(&mut chart_with_room(&part, &axis, &panel.y, room)?)?;
        }
        Ok(())
    })
}

/// The traces of each panel: all that are no remedy's in every one, and up to three remedies, as evenly as they go.
pub(in crate::report::plot) fn facets<T>(traces: &[Trace<T>]) -> Vec<Vec<&Trace<T>>> {
    let (remedies, always): (Vec<&Trace<T>>, Vec<&Trace<T>>) =
        traces.iter().partition(|trace| trace.role.is_remedy());
    let panels = remedies.len().div_ceil(REMEDIES).max(1);
    let mut rest = remedies.as_slice();
    (0..panels)
        .map(|panel| {
            let (own, further) = rest.split_at(rest.len().div_ceil(panels - panel));
            rest = further;
            always.iter().chain(own).copied().collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::trace::Role;
    use super::*;

    #[test]
    fn every_remedy_is_in_one_panel_and_the_conditions_in_all() {
        for (count, expected) in [
            (0, vec![2]),
            (3, vec![5]),
            (4, vec![4, 4]),
            (7, vec![5, 4, 4]),
        ] {
            let mut traces = vec![
                Trace::new(Role::Baseline, "baseline", ()),
                Trace::new(Role::Looped, "looped", ()),
            ];
            traces.extend((0..count).map(|rank| Trace::new(Role::Remedy(rank), "remedy", ())));
            let sizes: Vec<usize> = facets(&traces).iter().map(Vec::len).collect();
            assert_eq!(sizes, expected);
        }
    }
}
