//! Reading a code: the grammar of UCUM terms.

use super::Quantity;
use super::atoms::simple_unit;
use crate::exact::Fraction;

pub(super) struct Parser<'a> {
    pub(super) text: &'a str,
    pub(super) at: usize,
    pub(super) depth: usize,
}

impl Parser<'_> {
    pub(super) fn peek(&self) -> Option<u8> {
        self.text.as_bytes().get(self.at).copied()
    }

    /// term: `/`? component ((`.` | `/`) component)*
    pub(super) fn term(&mut self) -> Result<Quantity, String> {
        let mut value = if self.peek() == Some(b'/') {
            Quantity::number(Fraction::ONE)
        } else {
            self.component()?
        };
        while let Some(joint @ (b'.' | b'/')) = self.peek() {
            self.at += 1;
            let next = self.component()?;
            value = value.joined(next, joint == b'/')?;
        }
        Ok(value)
    }

    fn component(&mut self) -> Result<Quantity, String> {
        match self.peek() {
            None => Err("it ends where a unit should follow".to_owned()),
            Some(b'(') => {
                self.depth += 1;
                if self.depth > 8 {
                    return Err("its brackets are nested too deeply".to_owned());
                }
                self.at += 1;
                let inner = self.term()?;
                if self.peek() != Some(b')') {
                    return Err("a \"(\" is not closed".to_owned());
                }
                self.at += 1;
                self.depth -= 1;
                Ok(inner)
            }
            Some(b'{') => {
                self.annotation()?;
                Ok(Quantity::number(Fraction::ONE))
            }
            Some(b'0'..=b'9') if !self.at_ten_star() => self.factor(),
            Some(_) => self.annotatable(),
        }
    }

    fn at_ten_star(&self) -> bool {
        let rest = &self.text[self.at..];
        rest.starts_with("10*") || rest.starts_with("10^")
    }

    fn factor(&mut self) -> Result<Quantity, String> {
        let digits: String = self.text[self.at..]
            .chars()
            .take_while(char::is_ascii_digit)
            .collect();
        self.at += digits.len();
        let exact = Fraction::from_decimal(&digits)
            .filter(|exact| exact.num() > 0)
            .ok_or_else(|| format!("the factor {digits} is zero or too large"))?;
        Ok(Quantity::number(exact))
    }

    fn annotation(&mut self) -> Result<(), String> {
        let rest = &self.text[self.at..];
        let end = rest
            .find('}')
            .ok_or_else(|| "a \"{\" is not closed".to_owned())?;
        if rest[1..end].contains('{') {
            return Err("braces cannot be nested".to_owned());
        }
        self.at += end + 1;
        Ok(())
    }

    fn annotatable(&mut self) -> Result<Quantity, String> {
        let start = self.at;
        if self.at_ten_star() {
            self.at += 3;
        } else {
            self.symbol()?;
        }
        let symbol = &self.text[start..self.at];
        let unit = simple_unit(symbol)?;
        let exponent = self.exponent()?;
        let value = unit.power(exponent)?;
        if self.peek() == Some(b'{') {
            self.annotation()?;
        }
        Ok(value)
    }

    /// Moves over a prefix and an atom: everything up to a joint, digit, sign or brace outside of
    /// square brackets.
    fn symbol(&mut self) -> Result<(), String> {
        let start = self.at;
        while let Some(byte) = self.peek() {
            match byte {
                b'[' => {
                    let rest = &self.text[self.at..];
                    let end = rest
                        .find(']')
                        .ok_or_else(|| "a \"[\" is not closed".to_owned())?;
                    self.at += end + 1;
                }
                b'.' | b'/' | b'(' | b')' | b'{' | b'}' | b'+' | b'-' | b'0'..=b'9' => break,
                _ => self.at += 1,
            }
        }
        if self.at == start {
            let found = &self.text[start..=start];
            return Err(format!("a unit should stand where \"{found}\" does"));
        }
        Ok(())
    }

    fn exponent(&mut self) -> Result<i8, String> {
        let rest = &self.text[self.at..];
        let sign_len = usize::from(rest.starts_with(['+', '-']));
        let digits = rest[sign_len..]
            .bytes()
            .take_while(u8::is_ascii_digit)
            .count();
        if digits == 0 {
            return if sign_len == 0 {
                Ok(1)
            } else {
                Err("a sign without an exponent".to_owned())
            };
        }
        let text = &rest[..sign_len + digits];
        self.at += text.len();
        match text.parse::<i8>() {
            Ok(0) | Err(_) => Err(format!("the exponent {text} is zero or too large")),
            Ok(exponent) => Ok(exponent),
        }
    }
}
