//! Reading and writing stored bytes. Reading never panics and never allocates by an unchecked size:
//! every count is compared with the bytes that are left before anything is reserved for it.

/// Appends an unsigned number, seven bits a byte, lowest first.
pub(crate) fn put_varint(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push(low_byte(number) | 0x80);
        number >>= 7;
    }
    out.push(low_byte(number));
}

const fn low_byte(number: u64) -> u8 {
    (number & 0xff) as u8
}

/// Appends a signed number, small magnitudes short.
pub(crate) fn put_signed(out: &mut Vec<u8>, number: i64) {
    put_varint(out, zigzag(number));
}

const fn zigzag(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)).cast_unsigned()
}

const fn unzigzag(number: u64) -> i64 {
    (number >> 1).cast_signed() ^ -((number & 1).cast_signed())
}

/// Appends bytes with their length before them.
pub(crate) fn put_bytes(out: &mut Vec<u8>, bytes: &[u8]) {
    put_varint(out, bytes.len() as u64);
    out.extend_from_slice(bytes);
}

/// Takes stored bytes from the front; every method gives `None` where they do not suffice.
#[derive(Clone, Debug)]
pub(crate) struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    pub(crate) const fn new(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    pub(crate) const fn left(&self) -> usize {
        self.0.len()
    }

    pub(crate) fn take(&mut self, n: usize) -> Option<&'a [u8]> {
        let (front, rest) = self.0.split_at_checked(n)?;
        self.0 = rest;
        Some(front)
    }

    pub(crate) fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        self.take(N)?.try_into().ok()
    }

    pub(crate) fn u8(&mut self) -> Option<u8> {
        Some(self.array::<1>()?[0])
    }

    pub(crate) fn u16(&mut self) -> Option<u16> {
        Some(u16::from_be_bytes(self.array()?))
    }

    pub(crate) fn u32(&mut self) -> Option<u32> {
        Some(u32::from_be_bytes(self.array()?))
    }

    pub(crate) fn u64(&mut self) -> Option<u64> {
        Some(u64::from_be_bytes(self.array()?))
    }

    pub(crate) fn i64(&mut self) -> Option<i64> {
        Some(i64::from_be_bytes(self.array()?))
    }

    pub(crate) fn f64(&mut self) -> Option<f64> {
        Some(f64::from_be_bytes(self.array()?))
    }

    pub(crate) fn varint(&mut self) -> Option<u64> {
        let mut number = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.u8()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                return None;
            }
            number |= bits << shift;
            if byte & 0x80 == 0 {
                return Some(number);
            }
        }
        None
    }

    pub(crate) fn signed(&mut self) -> Option<i64> {
        self.varint().map(unzigzag)
    }

    /// A count of things that take at least one byte each, so never above what is left.
    pub(crate) fn count(&mut self) -> Option<usize> {
        let count = usize::try_from(self.varint()?).ok()?;
        (count <= self.left()).then_some(count)
    }

    pub(crate) fn bytes(&mut self) -> Option<&'a [u8]> {
        let n = self.count()?;
        self.take(n)
    }

    pub(crate) fn number32(&mut self) -> Option<u32> {
        u32::try_from(self.varint()?).ok()
    }

    /// `Some` when nothing is left over.
    pub(crate) fn end(&self) -> Option<()> {
        self.0.is_empty().then_some(())
    }
}

/// A time as eight bytes that sort as the times do.
pub(crate) const fn time_key(time_ms: i64) -> [u8; 8] {
    (time_ms.cast_unsigned() ^ (1 << 63)).to_be_bytes()
}

/// The inverse of [`time_key`].
pub(crate) const fn key_time(key: [u8; 8]) -> i64 {
    (u64::from_be_bytes(key) ^ (1 << 63)).cast_signed()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        // The law: numbers come back, and keys sort as their times do.
        #[test]
        fn numbers_come_back(a: u64, b: i64, c: i64) {
            let mut out = Vec::new();
            put_varint(&mut out, a);
            put_signed(&mut out, b);
            let mut reader = Reader::new(&out);
            prop_assert_eq!((reader.varint(), reader.signed()), (Some(a), Some(b)));
            prop_assert!(reader.end().is_some());
            prop_assert_eq!(key_time(time_key(b)), b);
            prop_assert_eq!(time_key(b).cmp(&time_key(c)), b.cmp(&c));
        }
    }

    #[test]
    fn overlong_numbers_and_false_counts_are_refused() {
        assert_eq!(Reader::new(&[0xff; 10]).varint(), None);
        assert_eq!(Reader::new(&[0xff; 9]).varint(), None);
        assert_eq!(Reader::new(&[5, 1, 2]).count(), None);
        assert_eq!(Reader::new(&[2, 1, 2]).bytes(), Some(&[1_u8, 2][..]));
    }
}
