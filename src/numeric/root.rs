//! Roots of functions.

/// Root of a rising function within a bracket: regula falsi with the Illinois rule.
pub(crate) fn rising_root(low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let bounded = |x: f64| f(x).clamp(-8.0, 8.0);
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (bounded(a), bounded(b));
    if fa >= 0.0 {
        return a;
    }
    if fb <= 0.0 {
        return b;
    }
    let tolerance = 1e-9 * (high - low).abs();
    for i in 0..80 {
        // now and then a bisection, for functions that the secant follows badly
        let x = if i % 4 == 3 {
            0.5 * (a + b)
        } else {
            (a * fb - b * fa) / (fb - fa)
        };
        let fx = bounded(x);
        if fx.abs() < 1e-4 || b - a < tolerance {
            return x;
        }
        if fx < 0.0 {
            (a, fa, fb) = (x, fx, 0.5 * fb);
        } else {
            (b, fb, fa) = (x, fx, 0.5 * fa);
        }
    }
    0.5 * (a + b)
}
