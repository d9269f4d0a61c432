//! What the library brings along: how many crates, under which licences, and which files its package holds.

use std::collections::BTreeSet;
use std::process::Command;

/// Crates that a program with the core alone compiles, this one included.
const MOST_CRATES: usize = 40;

/// Licences that ask for no more than the notices which MIT OR Apache-2.0 asks for (SPDX names; texts at
/// <https://spdx.org/licenses>).
const COMPATIBLE: [&str; 12] = [
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
    "0BSD",
];

/// Name with version, and licence, of every crate that is compiled for this machine.
fn compiled(features: &[&str]) -> BTreeSet<(String, String)> {
    let output = Command::new(env!("CARGO"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["tree", "--locked", "--offline", "--edges", "normal,build"])
        .args(["--no-dedupe", "--prefix", "none", "--format", "{p}|{l}"])
        .args(features)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    text.lines()
        .map(|line| {
            let (package, licence) = line.split_once('|').unwrap();
            let name: Vec<&str> = package.split(' ').take(2).collect();
            (name.join(" "), licence.to_owned())
        })
        .collect()
}

/// Whether one choice of an SPDX expression is among the compatible: `A OR B`, `(A OR B) AND C`, and the older `A/B`.
fn compatible(expression: &str) -> bool {
    expression.split(" AND ").all(|part| {
        part.trim_matches(['(', ')'])
            .replace('/', " OR ")
            .split(" OR ")
            .any(|licence| COMPATIBLE.contains(&licence.trim()))
    })
}

#[test]
fn the_core_stays_small() {
    let crates = compiled(&["--no-default-features"]);
    assert!(
        crates.len() <= MOST_CRATES,
        "{} crates: {crates:?}",
        crates.len()
    );
    // A listing that failed to list would pass the line above.
    assert!(crates.len() > 10, "{crates:?}");
}

#[test]
fn every_licence_may_be_taken() {
    for (expression, expected) in [
        ("MIT/Apache-2.0", true),
        ("(MIT OR GPL-3.0) AND Unicode-3.0", true),
        ("MIT AND GPL-3.0", false),
        ("GPL-3.0-only", false),
        ("", false),
    ] {
        assert_eq!(compatible(expression), expected, "{expression}");
    }
    let refused: Vec<_> = compiled(&["--all-features"])
        .into_iter()
        .filter(|(_, licence)| !compatible(licence))
        .collect();
    assert!(refused.is_empty(), "{refused:?}");
}

#[test]
fn the_package_holds_no_captures() {
    let output = Command::new(env!("CARGO"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["package", "--list", "--allow-dirty", "--offline"])
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("src/lib.rs"), "{text}");
    let wanted = |file: &str| {
        let roots = ["README.md", "CHANGELOG.md", "LICENSE-MIT", "LICENSE-APACHE"];
        file.starts_with("src/")
            || file.starts_with("tests/data/reference/")
            || file.starts_with("Cargo.")
            || file == ".cargo_vcs_info.json"
            || roots.contains(&file)
    };
    let others: Vec<&str> = text.lines().filter(|file| !wanted(file)).collect();
    assert!(others.is_empty(), "{others:?}");
}
