//! Windows against F. J. Harris 1978 and G. Heinzel et al. 2002, recomputed (`windows.csv`).

use approx::{assert_abs_diff_eq, assert_relative_eq};
use humsieve::spectrum::Window;

/// Name, coefficients and the whole row of every window that is a sum of cosines.
fn cosine_sums() -> Vec<(String, Vec<f64>, csv::StringRecord)> {
    let mut reader = csv::Reader::from_path("tests/data/reference/windows.csv").unwrap();
    let rows = reader.records().map(Result::unwrap);
    let sums: Vec<_> = rows
        .filter(|row| row[1].starts_with("cosine-sum"))
        .map(|row| {
            let coefficients = row[2].split(' ').map(|a| a.parse().unwrap()).collect();
            (row[0].to_owned(), coefficients, row)
        })
        .collect();
    assert_eq!(sums.len(), 34);
    sums
}

#[test]
fn every_cosine_sum_meets_its_row() {
    for (_, coefficients, row) in cosine_sums() {
        let window = Window::new(&coefficients);
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        assert_relative_eq!(window.enbw_bins(), number(3), max_relative = 1e-9);
        assert_relative_eq!(window.coherent_gain(), number(4), max_relative = 1e-9);
        assert_abs_diff_eq!(window.scalloping_db(), number(5), epsilon = 1e-5);
        assert_abs_diff_eq!(window.flatness_db().abs(), number(6).abs(), epsilon = 1e-4);
        assert_abs_diff_eq!(
            window.response(0.5 * number(7)),
            0.5_f64.sqrt(),
            epsilon = 1e-4
        );
        assert_abs_diff_eq!(
            window.overlap_correlation(4096, 2048),
            number(8),
            epsilon = 1e-6
        );
        assert_abs_diff_eq!(
            window.overlap_correlation(4096, 1024),
            number(9),
            epsilon = 1e-6
        );
        // the printed columns, where the computation bears them out
        if !row[10].is_empty() && !row[17].contains("harris_row_differs") {
            assert_abs_diff_eq!(window.enbw_bins(), number(11), epsilon = 0.006);
        }
        if !row[13].is_empty() {
            assert_abs_diff_eq!(window.enbw_bins(), number(13), epsilon = 5.1e-5);
            assert_abs_diff_eq!(window.flatness_db().abs(), number(14).abs(), epsilon = 1e-4);
        }
    }
}

/// The weights themselves: N Σw²/(Σw)² over samples is the closed form.
#[test]
fn sampled_weights_have_the_noise_bandwidth_of_the_formula() {
    for (_, coefficients, _) in cosine_sums() {
        let window = Window::new(&coefficients);
        let weights = window.weights(64);
        let sum: f64 = weights.iter().sum();
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        assert_relative_eq!(
            64.0 * squares / (sum * sum),
            window.enbw_bins(),
            max_relative = 1e-9
        );
    }
}

/// Welch 1967; for Hann at 50 % Percival & Walden 1993 give 36 K²/(19 K - 1).
#[test]
fn averaged_periodograms_have_welchs_degrees_of_freedom() {
    let windows = cosine_sums();
    let mut reader = csv::Reader::from_path("tests/data/reference/limits_numbers.csv").unwrap();
    let mut met = 0;
    for row in reader.records().map(Result::unwrap) {
        let mut fields = row[1].split(", ");
        let starts = match (&row[0], fields.next().unwrap_or("")) {
            ("welch_edf", "rect") => "rectangular",
            ("welch_edf", "hann") => "hann",
            ("welch_edf", "hamming") => "hamming",
            ("welch_edf", "blackmanharris") => "blackman_harris_4term_min",
            ("welch_edf", "HFT95") => "HFT95",
            _ => continue,
        };
        let found = windows.iter().find(|(name, ..)| name.starts_with(starts));
        let window = Window::new(&found.unwrap().1);
        let digits = |text: &str| text.replace(|c: char| !c.is_ascii_digit(), "");
        let overlap: usize = digits(fields.next().unwrap()).parse().unwrap();
        let segments: usize = digits(fields.next().unwrap()).parse().unwrap();
        let length = 4000;
        let found = window.averaged_dof(length, length * (100 - overlap) / 100, segments);
        assert_relative_eq!(found, row[2].parse().unwrap(), max_relative = 1e-6);
        met += 1;
    }
    assert_eq!(met, 45);
    for k in [19.0, 100.0] {
        let expected = 36.0 * k * k / (19.0 * k - 1.0);
        let found = Window::HANN.averaged_dof(4000, 2000, k as usize);
        assert_relative_eq!(found, expected, max_relative = 1e-6);
    }
}
