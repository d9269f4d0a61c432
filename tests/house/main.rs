//! The rules of the house: no two parts of the program need each other, files and folders stay small, public names and
//! dependencies are known.
//!
//! In every folder of `src` the files and subfolders form a graph: one needs another when code in it names
//! something defined there. Names are followed through re-exports to the file that defines them. Code for
//! tests only is left out.
#![allow(
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic
)]

mod dependencies;
mod names;
mod needs;
mod outside;

use names::Names;
use needs::House;
use std::path::Path;

const MOST_LINES: usize = 500;
const MOST_FILES: usize = 14;

fn house() -> House {
    House::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"))
}

#[test]
fn no_circle_between_files_or_folders() {
    let circles = house().circles();
    assert!(
        circles.is_empty(),
        "{} circles:\n{}",
        circles.len(),
        circles.join("\n")
    );
}

#[test]
fn the_way_to_a_definition_is_followed() {
    // Without this the test above would pass on a reader that finds nothing.
    let house = house();
    let needs = house.needs_of("main.rs");
    assert!(needs.iter().any(|n| n.starts_with("cli/")), "{needs:?}");
    let all: usize = house.files().map(|f| house.needs_of(f).len()).sum();
    assert!(all > 2 * house.files().count(), "{all}");
}

#[test]
fn files_and_folders_stay_small() {
    let house = house();
    let mut large: Vec<String> = house
        .files()
        .filter(|f| house.lines(f) > MOST_LINES)
        .map(|f| format!("{f}: {} lines", house.lines(f)))
        .collect();
    large.extend(
        house
            .folders()
            .into_iter()
            .filter(|(_, files)| *files > MOST_FILES)
            .map(|(folder, files)| format!("{folder}/: {files} files")),
    );
    assert!(large.is_empty(), "{}", large.join("\n"));
}

#[test]
fn a_change_of_the_public_names_is_seen() {
    let names = Names::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"));
    insta::assert_snapshot!(
        "public_names",
        format!("{} items\n\n{}", names.count(), names.listing())
    );
}
