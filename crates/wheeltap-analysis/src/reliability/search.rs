//! Roots of functions that change their sign once.

/// Halvings at most; a bracket of a factor of two is used up after 53.
const HALVINGS: usize = 200;

/// Where a function that is below zero at `low` and not below it at `high` turns. The bracket is the caller's
/// to know.
pub fn root(mut low: f64, mut high: f64, is_below: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = low.midpoint(high);
        if middle <= low.min(high) || middle >= low.max(high) {
            break;
        }
        if is_below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low.midpoint(high)
}

/// As [`root`] for arguments above zero, searched upwards or downwards from `from` by factors of two;
/// `None` when the sign does not change within `2^60` times or parts of it.
pub fn root_from(from: f64, is_below: impl Fn(f64) -> bool) -> Option<f64> {
    let starts_below = is_below(from);
    let (mut near, mut far) = (from, from);
    for _ in 0..60 {
        far = if starts_below { far * 2.0 } else { far / 2.0 };
        if is_below(far) != starts_below {
            let (low, high) = if starts_below {
                (near, far)
            } else {
                (far, near)
            };
            return Some(root(low, high, is_below));
        }
        near = far;
    }
    None
}
