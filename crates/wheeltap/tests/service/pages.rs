//! The web pages by HTTP.

mod board;
mod defects;
mod forms;
mod rule;
mod unit;

use super::*;
use std::fmt::Write as _;

/// A form's value for one field.
fn form(name: &str, value: &str) -> String {
    let mut text = format!("{name}=");
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric() {
            text.push(char::from(byte));
        } else {
            write!(text, "%{byte:02X}").expect("a string takes all");
        }
    }
    text
}

/// The refusal and the form under it.
fn refused_form(page: &str) -> &str {
    let from = page.find("id=\"refused\"");
    let from = from.unwrap_or_else(|| panic!("no refusal on {page}"));
    let end = page[from..].find("</form>").expect("a form");
    &page[from..from + end]
}
