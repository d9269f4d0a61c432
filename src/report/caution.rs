//! Cautions that stand wherever earthing, floating or isolation is touched.

/// The cautions, one sentence or two each; all of them belong in every printed report.
pub const CAUTIONS: [&str; 6] = [
    "Never defeat a protective earth: not at the source, not at the instrument, not for one reading.",
    "A floating instrument or source can be live at its metal parts; battery power or an isolation \
     transformer does not make a mains circuit safe to touch.",
    "Check the isolation's rating and its category against the voltage at hand.",
    "Discharge what was floating before you connect it again.",
    "Measure mains only with probes and instruments rated for it.",
    "Local codes and a licensed person decide what may be done.",
];
