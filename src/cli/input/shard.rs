//! A part of the inputs: one of several machines' shares.

use super::inputs::Input;
use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::fs;
use std::path::Path;

/// The K-th of N parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// From 1.
    pub part: usize,
    /// At least `part`.
    pub of: usize,
}

/// Reads `2/8`.
pub fn shard(text: &str) -> Result<Shard, String> {
    let parse = || {
        let (part, of) = text.split_once('/')?;
        let shard = Shard {
            part: part.trim().parse().ok()?,
            of: of.trim().parse().ok()?,
        };
        (1..=shard.of).contains(&shard.part).then_some(shard)
    };
    parse().ok_or_else(|| "it must be K/N with 1 <= K <= N, as in 2/8".into())
}

/// What a file costs beyond its bytes, in bytes.
const EACH_BYTES: u64 = 1 << 12;

impl Shard {
    /// This part of the inputs, in their order.
    ///
    /// The largest goes to the emptiest part, then the next: parts are even by size, and the same however
    /// the inputs were found.
    pub fn of_inputs(self, inputs: Vec<Input>) -> Vec<Input> {
        let path = |input: &Input| match input {
            Ok(path) | Err((path, _)) => path.clone(),
        };
        let mut order: Vec<(Reverse<u64>, _, usize)> = inputs
            .iter()
            .enumerate()
            .map(|(index, input)| (Reverse(size(&path(input))), path(input), index))
            .collect();
        order.sort();
        let mut parts: BinaryHeap<Reverse<(u64, usize)>> = (1..=self.of.min(order.len()))
            .map(|part| Reverse((0, part)))
            .collect();
        let mut mine = vec![false; inputs.len()];
        for (Reverse(bytes), _, index) in order {
            if let Some(Reverse((load, part))) = parts.pop() {
                mine[index] = part == self.part;
                parts.push(Reverse((load + bytes + EACH_BYTES, part)));
            }
        }
        let mut mine = mine.into_iter();
        inputs
            .into_iter()
            .filter(|_| mine.next() == Some(true))
            .collect()
    }
}

fn size(path: &Path) -> u64 {
    fs::metadata(path).map_or(0, |file| file.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::PathBuf;

    #[test]
    fn parts_are_whole_even_and_the_same_in_any_order() {
        let folder = tempfile::tempdir().unwrap();
        let mut inputs: Vec<Input> = (0..60_usize)
            .map(|i| {
                let path = folder.path().join(format!("{i}.csv"));
                fs::write(&path, vec![b'0'; i * i * 37]).unwrap();
                Ok(path)
            })
            .collect();
        let paths = |part, inputs: &[Input]| -> Vec<PathBuf> {
            let shard = Shard { part, of: 7 };
            let mut paths: Vec<PathBuf> = shard
                .of_inputs(inputs.to_vec())
                .into_iter()
                .map(Result::unwrap)
                .collect();
            paths.sort();
            paths
        };
        let parts: Vec<Vec<PathBuf>> = (1..=7).map(|part| paths(part, &inputs)).collect();
        let mut all: Vec<PathBuf> = parts.iter().flatten().cloned().collect();
        all.sort();
        all.dedup();
        assert_eq!(all.len(), 60);
        let loads: Vec<u64> = parts
            .iter()
            .map(|part| part.iter().map(|path| size(path) + EACH_BYTES).sum())
            .collect();
        // No part exceeds another by more than one file, and the largest came first.
        let (least, most) = (loads.iter().min().unwrap(), loads.iter().max().unwrap());
        assert!(most - least <= 59 * 59 * 37 + EACH_BYTES, "{loads:?}");
        inputs.reverse();
        inputs.swap(3, 40);
        let again: Vec<Vec<PathBuf>> = (1..=7).map(|part| paths(part, &inputs)).collect();
        assert_eq!(parts, again);
    }

    #[test]
    fn what_is_no_part_is_told() {
        assert_eq!(shard("2/8"), Ok(Shard { part: 2, of: 8 }));
        for text in ["0/8", "9/8", "2", "/", "a/b", "-1/2", "1/0"] {
            assert!(shard(text).unwrap_err().contains("K/N"), "{text}");
        }
    }

    #[test]
    fn more_parts_than_inputs_leave_some_empty() {
        let inputs: Vec<Input> = vec![Ok(PathBuf::from("a")), Ok(PathBuf::from("b"))];
        let count = |part| Shard { part, of: 9 }.of_inputs(inputs.clone()).len();
        assert_eq!((1..=9).map(count).sum::<usize>(), 2);
        assert_eq!(count(9), 0);
    }
}
