//! Roots of functions of one variable, bracketed so that they always end.

/// Iterations after which a bracketed search gives what it has; bisection alone needs about 1,100
/// to exhaust every double between 1e-308 and 1e308, Brent's method rarely more than 15.
const MOST_STEPS: usize = 200;

/// Root of a continuous `f` in `[a, b]` by Brent's method (inverse quadratic steps, kept inside a
/// shrinking bracket), to `tolerance` in `x` or to the last bit.
///
/// `None` when `f(a)` and `f(b)` have the same sign or a value is NaN.
///
/// Source: R. P. Brent, Algorithms for Minimization without Derivatives, 1973, chapter 4.
pub fn brent(mut f: impl FnMut(f64) -> f64, a: f64, b: f64, tolerance: f64) -> Option<f64> {
    let (mut a, mut b) = (a, b);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return Some(a);
    }
    if fb == 0.0 {
        return Some(b);
    }
    if fa.is_nan() || fb.is_nan() || (fa > 0.0) == (fb > 0.0) {
        return None;
    }
    let (mut c, mut fc) = (a, fa);
    let mut step = b - a;
    let mut before = step;
    for _ in 0..MOST_STEPS {
        if (fb > 0.0) == (fc > 0.0) {
            (c, fc) = (a, fa);
            step = b - a;
            before = step;
        }
        if fc.abs() < fb.abs() {
            (a, b, c) = (b, c, b);
            (fa, fb, fc) = (fb, fc, fb);
        }
        let near = 2.0 * f64::EPSILON * b.abs() + 0.5 * tolerance;
        let half = 0.5 * (c - b);
        if half.abs() <= near || fb == 0.0 {
            return Some(b);
        }
        if before.abs() >= near && fa.abs() > fb.abs() && fa.is_finite() {
            let s = fb / fa;
            let (mut p, mut q) = if a == c {
                (2.0 * half * s, 1.0 - s)
            } else {
                let (q, r) = (fa / fc, fb / fc);
                (
                    s * (2.0 * half * q * (q - r) - (b - a) * (r - 1.0)),
                    (q - 1.0) * (r - 1.0) * (s - 1.0),
                )
            };
            if p > 0.0 {
                q = -q;
            }
            p = p.abs();
            if 2.0 * p < (3.0 * half * q - (near * q).abs()).min((before * q).abs()) {
                before = step;
                step = p / q;
            } else {
                step = half;
                before = half;
            }
        } else {
            step = half;
            before = half;
        }
        (a, fa) = (b, fb);
        b += if step.abs() > near {
            step
        } else {
            near.copysign(half)
        };
        fb = f(b);
        if fb.is_nan() {
            return None;
        }
    }
    Some(b)
}

/// Walks from `start` in steps that double, at most `most` of them, until `f` changes sign, then
/// closes in with [`brent`]. `None` when the sign never changes.
pub fn walk_to_root(
    mut f: impl FnMut(f64) -> f64,
    start: f64,
    first_step: f64,
    most: usize,
    tolerance: f64,
) -> Option<f64> {
    let f_start = f(start);
    if f_start == 0.0 {
        return Some(start);
    }
    let (mut inner, mut step) = (start, first_step);
    for _ in 0..most {
        let outer = inner + step;
        let f_outer = f(outer);
        if f_outer.is_nan() {
            return None;
        }
        if f_outer == 0.0 {
            return Some(outer);
        }
        if (f_outer > 0.0) != (f_start > 0.0) {
            return brent(f, inner, outer, tolerance);
        }
        inner = outer;
        step *= 2.0;
    }
    None
}

/// Greatest value of a unimodal `f` in `[a, b]` by Brent's method without derivatives: golden
/// sections with parabolic steps. Gives `(x, f(x))`.
///
/// Source: R. P. Brent, Algorithms for Minimization without Derivatives, 1973, chapter 5.
pub fn maximum(mut f: impl FnMut(f64) -> f64, a: f64, b: f64, tolerance: f64) -> (f64, f64) {
    const GOLDEN: f64 = 0.381_966_011_250_105_1;
    let (mut a, mut b) = (a, b);
    let mut x = a + GOLDEN * (b - a);
    let (mut w, mut v) = (x, x);
    let mut fx = f(x);
    let (mut fw, mut fv) = (fx, fx);
    let (mut step, mut before) = (0.0_f64, 0.0_f64);
    for _ in 0..MOST_STEPS {
        let middle = 0.5 * (a + b);
        let near = 1e-10 * x.abs() + tolerance;
        if (x - middle).abs() <= 2.0 * near - 0.5 * (b - a) {
            break;
        }
        let mut golden = true;
        if before.abs() > near {
            let r = (x - w) * (fv - fx);
            let mut q = (x - v) * (fw - fx);
            let mut p = (x - v) * q - (x - w) * r;
            q = 2.0 * (q - r);
            if q > 0.0 {
                p = -p;
            }
            q = q.abs();
            if p.abs() < (0.5 * q * before).abs() && p > q * (a - x) && p < q * (b - x) {
                before = step;
                step = p / q;
                let u = x + step;
                if u - a < 2.0 * near || b - u < 2.0 * near {
                    step = near.copysign(middle - x);
                }
                golden = false;
            }
        }
        if golden {
            before = if x < middle { b - x } else { a - x };
            step = GOLDEN * before;
        }
        let u = x + if step.abs() >= near {
            step
        } else {
            near.copysign(step)
        };
        let fu = f(u);
        if fu >= fx {
            if u < x {
                b = x;
            } else {
                a = x;
            }
            (v, fv, w, fw, x, fx) = (w, fw, x, fx, u, fu);
        } else {
            if u < x {
                a = u;
            } else {
                b = u;
            }
            if fu >= fw || w == x {
                (v, fv, w, fw) = (w, fw, u, fu);
            } else if fu >= fv || v == x || v == w {
                (v, fv) = (u, fu);
            }
        }
    }
    (x, fx)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn finds_roots_that_are_known_in_closed_form() {
        let root = brent(|x| x * x - 2.0, 0.0, 2.0, 0.0).unwrap();
        assert_relative_eq!(root, std::f64::consts::SQRT_2, max_relative = 1e-15);
        let root = brent(|x: f64| x.exp() - 1e-300, -1000.0, 0.0, 0.0).unwrap();
        assert_relative_eq!(root, -300.0 * std::f64::consts::LN_10, max_relative = 1e-13);
    }

    #[test]
    fn a_step_function_ends_at_its_jump() {
        let root = brent(|x| if x < 0.3 { -1.0 } else { 1.0 }, 0.0, 1.0, 0.0).unwrap();
        assert_relative_eq!(root, 0.3, max_relative = 1e-14);
    }

    #[test]
    fn no_change_of_sign_and_nan_give_nothing() {
        assert_eq!(brent(|x| x * x + 1.0, -1.0, 1.0, 0.0), None);
        assert_eq!(brent(|_| f64::NAN, -1.0, 1.0, 0.0), None);
        assert_eq!(walk_to_root(|_| 1.0, 0.0, 1.0, 50, 0.0), None);
    }

    #[test]
    fn walks_out_to_a_far_root() {
        let root = walk_to_root(|x| x - 12_345.678, 0.0, 1.0, 60, 0.0).unwrap();
        assert_relative_eq!(root, 12_345.678, max_relative = 1e-14);
        let root = walk_to_root(|x| x + 500.0, 0.0, -0.25, 60, 0.0).unwrap();
        assert_relative_eq!(root, -500.0, max_relative = 1e-14);
    }

    #[test]
    fn finds_the_top_of_a_hill() {
        let (x, y) = maximum(|x| 3.0 - (x - 0.7) * (x - 0.7), -10.0, 10.0, 1e-12);
        assert_relative_eq!(x, 0.7, max_relative = 1e-7);
        assert_relative_eq!(y, 3.0, max_relative = 1e-14);
    }
}
