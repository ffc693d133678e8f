//! Differences of products that do not fit 128 bits.

/// `a * c - b * b` turned to `f64` once, for `a` and `c` not under 0; 0 when it is under 0.
pub(crate) fn product_less_square(a: i128, c: i128, b: i128) -> f64 {
    let product = multiply(a.unsigned_abs(), c.unsigned_abs());
    let square = multiply(b.unsigned_abs(), b.unsigned_abs());
    if square >= product {
        return 0.0;
    }
    let (low, borrow) = product.1.overflowing_sub(square.1);
    let high = product.0 - square.0 - u128::from(borrow);
    high as f64 * 2.0_f64.powi(128) + low as f64
}

/// High and low half of a product.
const fn multiply(a: u128, b: u128) -> (u128, u128) {
    const HALF: u128 = u64::MAX as u128;
    let (a1, a0, b1, b0) = (a >> 64, a & HALF, b >> 64, b & HALF);
    let low = a0 * b0;
    let (middle, carry) = (a1 * b0).overflowing_add(a0 * b1);
    let (low, over) = low.overflowing_add(middle << 64);
    let high = a1 * b1 + (middle >> 64) + ((carry as u128) << 64) + over as u128;
    (high, low)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_are_whole() {
        assert_eq!(multiply(u128::MAX, u128::MAX), (u128::MAX - 1, 1));
        assert_eq!(multiply(1 << 100, 1 << 100), (1 << 72, 0));
        assert_eq!(multiply((1 << 64) + 3, (1 << 64) + 5), (1, (8 << 64) + 15));
    }

    #[test]
    fn small_differences_of_great_products_survive() {
        let big = 1_i128 << 90;
        assert!((product_less_square(big + 1, big - 1, big) - 0.0).abs() < 0.5);
        // (n + 1)(n + 1) - n n = 2 n + 1.
        let found = product_less_square(big + 1, big + 1, big);
        assert!((found - (2.0 * big as f64 + 1.0)).abs() < 1.0);
    }
}
