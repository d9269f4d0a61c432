//! The outputs that the README shows are what the command prints.

use std::fs;
use std::path::Path;
use std::process::Command;

/// `data/demo/looped_*.csv` becomes the files in order.
fn expanded(argument: &str, root: &Path) -> Vec<String> {
    let Some((before, after)) = argument.split_once('*') else {
        return vec![argument.to_owned()];
    };
    let (folder, front) = before.rsplit_once('/').unwrap();
    let mut files: Vec<String> = fs::read_dir(root.join(folder))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with(front) && name.ends_with(after))
        .map(|name| format!("{folder}/{name}"))
        .collect();
    files.sort();
    assert!(!files.is_empty(), "{argument} names nothing");
    files
}

/// Lines of the shell blocks that run the program.
fn commands(readme: &str) -> Vec<String> {
    readme
        .split("```sh\n")
        .skip(1)
        .filter_map(|part| part.split_once("```\n"))
        .flat_map(|(block, _)| block.lines())
        .filter(|line| line.split_whitespace().any(|word| word == "humsieve"))
        .map(str::to_owned)
        .collect()
}

/// Each runs as it stands, in one folder after the other, in which the project's data lie.
#[cfg(unix)]
#[test]
fn commands_run_as_printed() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::tempdir().unwrap();
    for name in ["data", "tests"] {
        std::os::unix::fs::symlink(root.join(name), folder.path().join(name)).unwrap();
    }
    let program = Path::new(env!("CARGO_BIN_EXE_humsieve")).parent().unwrap();
    let path = std::env::join_paths(std::iter::once(program.to_path_buf()).chain(
        std::env::split_paths(&std::env::var_os("PATH").unwrap_or_default()),
    ))
    .unwrap();
    let commands = commands(&fs::read_to_string(root.join("README.md")).unwrap());
    assert!(commands.len() >= 15, "{commands:?}");
    for command in commands {
        let output = Command::new("sh")
            .args(["-ec", &command])
            .current_dir(folder.path())
            .env("PATH", &path)
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{command}: {told}");
        assert!(!told.contains("error"), "{command}: {told}");
    }
}

#[test]
fn shown_outputs_are_printed() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = fs::read_to_string(root.join("README.md")).unwrap();
    let mut shown = 0;
    let mut updated = readme.clone();
    for part in readme.split("<!-- prints: ").skip(1) {
        let (arguments, rest) = part.split_once(" -->\n```text\n").unwrap();
        let (block, _) = rest.split_once("```\n").unwrap();
        let arguments: Vec<String> = arguments
            .split(' ')
            .flat_map(|argument| expanded(argument, root))
            .collect();
        let output = Command::new(env!("CARGO_BIN_EXE_humsieve"))
            .current_dir(root)
            .args(&arguments)
            .output()
            .unwrap();
        assert!(output.status.success(), "{arguments:?}");
        let printed = String::from_utf8(output.stdout).unwrap();
        let printed: String = printed
            .lines()
            .map(|l| format!("{}\n", l.trim_end()))
            .collect();
        if std::env::var_os("UPDATE_README").is_some() {
            let (head, tail) = part.split_once("```text\n").unwrap();
            let tail = tail.strip_prefix(block).unwrap();
            updated = updated.replace(part, &format!("{head}```text\n{printed}{tail}"));
        } else {
            assert_eq!(block, printed, "{arguments:?}");
        }
        shown += 1;
    }
    assert!(shown >= 2);
    if updated != readme {
        fs::write(root.join("README.md"), updated).unwrap();
    }
}
