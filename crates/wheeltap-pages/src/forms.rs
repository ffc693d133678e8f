//! What a person typed into a form that was refused, put into the same form again.
//!
//! One way for every form: the page that the form is on is made anew, and its HTML is read for that form. It
//! is our own HTML, whose templates write attributes in double quotes, so a reader of tags is enough; a page
//! needs to know nothing of it.
//!
//! What was typed about one thing must not come back in the form of another: the form has the same action, every
//! hidden field as it was sent, and a control for every field that was sent. Otherwise nothing is filled in. What
//! is made anew with every page stays as it is now made: an etag is that of what the page shows.

use std::ops::Range;

/// Names the page on which the form is, for where the browser does not say; see [`Typed::page`].
const PAGE: &str = "on_page";
/// Makes a repeat of the form the same request; see [`crate::told::request_id`].
const REQUEST_ID: &str = "request_id";
/// Hidden fields that are made anew with every page, so that they do not tell which form it was.
const MADE_ANEW: [&str; 3] = ["etag", REQUEST_ID, PAGE];

/// Fields of forms that change something which nobody writes: hidden ones, and choices that stand for a number of
/// the contract.
const CODES: [&str; 10] = [
    "arrival",
    "back",
    "contact",
    "corrects",
    "disposition",
    "kind",
    "origin",
    "priority",
    "stage",
    "version",
];

/// What a form sent.
pub struct Typed {
    /// Where to, as in the form's `action`.
    pub path: String,
    pub is_post: bool,
    pub fields: Vec<(String, String)>,
    /// It may have been done all the same, so that sent again it must be the same request.
    pub may_be_done: bool,
}

/// Why it was refused.
pub struct Refused<'a> {
    pub says: &'a str,
    /// Fields at fault, as the form names them.
    pub at_fault: Vec<&'a str>,
}

impl Typed {
    /// The page that it says it is on.
    pub fn page(&self) -> Option<&str> {
        let page = self.of(PAGE)?;
        (page.starts_with('/') && !page.starts_with("//")).then_some(page)
    }

    /// What a person wrote, by field, for where no form can take it.
    pub fn words(&self) -> Vec<(String, String)> {
        let typed = self.fields.iter().filter(|(name, text)| {
            !is_made_anew(name) && !CODES.contains(&name.as_str()) && !text.trim().is_empty()
        });
        typed
            .map(|(name, text)| (name.replace('_', " "), text.clone()))
            .collect()
    }

    fn of(&self, name: &str) -> Option<&str> {
        let mut fields = self.fields.iter();
        let found = fields.find(|(field, _)| field == name);
        found.map(|(_, text)| text.as_str())
    }

    /// `html` with this in the form that it came from and the refusal above it, and where that form is;
    /// `None` where the page has not this very form.
    pub fn put_into(&self, html: &str, page: &str, refused: &Refused<'_>) -> Option<Filled> {
        let tags = tags(html);
        let form = self.form(&tags)?;
        let mut edits = Edits::new(html);
        for details in &form.within {
            if tags[*details].value("open").is_none() {
                edits.replace(tags[*details].name_end..tags[*details].name_end, " open");
            }
        }
        edits.replace(
            tags[form.at].place.start..tags[form.at].place.start,
            &above(refused),
        );
        let start = edits.written.len();
        // What looks something up goes into the address, where it would stay.
        if self.is_post {
            let said = format!(
                "<input type=\"hidden\" name=\"{PAGE}\" value=\"{}\">",
                escaped(page)
            );
            edits.replace(tags[form.at].place.end..tags[form.at].place.end, &said);
        }
        self.fill(html, &tags[form.at + 1..form.end], refused, &mut edits);
        edits.keep_to(tags[form.end].place.end);
        let place = start..edits.written.len();
        Some(Filled {
            html: edits.whole(),
            form: place,
        })
    }

    /// The form that this was sent from.
    fn form(&self, tags: &[Tag<'_>]) -> Option<Form> {
        let mut open = Vec::new();
        for (at, tag) in tags.iter().enumerate() {
            match (tag.name, tag.is_end) {
                ("details", false) => open.push(at),
                ("details", true) => drop(open.pop()),
                ("form", false) if self.is_of(tag) => {
                    let end = at + tags[at..].iter().position(|tag| tag.is("form", true))?;
                    if self.is_from(&tags[at..end]) {
                        let within = open;
                        return Some(Form { at, end, within });
                    }
                }
                _ => {}
            }
        }
        None
    }

    fn is_of(&self, form: &Tag<'_>) -> bool {
        let is_post = form.value("method").as_deref() == Some("post");
        let action = form.value("action");
        is_post == self.is_post
            && match action {
                Some(action) => plain(&action) == plain(&self.path),
                None => !is_post,
            }
    }

    /// Whether the form with these controls is about the same thing: of what is hidden nothing differs, and nothing
    /// that was sent is without a control. What only looks something up changes nothing, and its hidden fields say
    /// what else the page shows.
    fn is_from(&self, controls: &[Tag<'_>]) -> bool {
        if !self.is_post {
            return true;
        }
        let named: Vec<(String, &Tag<'_>)> = controls
            .iter()
            .filter(|tag| !tag.is_end)
            .filter_map(|tag| Some((tag.value("name")?, tag)))
            .filter(|(name, _)| !is_made_anew(name))
            .collect();
        let mut sent = self.fields.iter().filter(|(name, _)| !is_made_anew(name));
        let mut hidden = named.iter().filter(|(_, tag)| tag.is_hidden());
        sent.all(|(name, _)| named.iter().any(|(of, _)| of == name))
            && hidden.all(|(name, tag)| self.of(name) == tag.value("value").as_deref())
    }

    fn fill(&self, html: &str, controls: &[Tag<'_>], refused: &Refused<'_>, edits: &mut Edits<'_>) {
        let mut chosen = None;
        for (idx, tag) in controls.iter().enumerate() {
            let name = tag.value("name").unwrap_or_default();
            let typed = self.of(&name);
            let is_at_fault = refused.at_fault.contains(&name.as_str());
            match (tag.name, tag.is_end) {
                ("select", false) => {
                    chosen = typed;
                    if is_at_fault {
                        edits.replace(tag.place.clone(), &tag.with(&[], AT_FAULT));
                    }
                }
                ("select", true) => chosen = None,
                ("option", false) => {
                    if let Some(chosen) = chosen {
                        let end = html[tag.place.end..].find('<').unwrap_or(0);
                        let text = || unescaped(&html[tag.place.end..tag.place.end + end]);
                        let is_it = tag.value("value").unwrap_or_else(text) == chosen;
                        let now = if is_it { " selected" } else { "" };
                        edits.replace(tag.place.clone(), &tag.with(&["selected"], now));
                    }
                }
                ("textarea", false) => {
                    if let (Some(typed), Some(end)) = (typed, controls.get(idx + 1)) {
                        // The first line end in it is not part of the text.
                        let text = format!("\n{}", escaped(typed));
                        edits.replace(tag.place.end..end.place.start, &text);
                    }
                }
                ("input", false) => self.fill_input(tag, &name, is_at_fault, edits),
                _ => {}
            }
        }
    }

    fn fill_input(&self, tag: &Tag<'_>, name: &str, is_at_fault: bool, edits: &mut Edits<'_>) {
        let typed = self.of(name);
        let more = if is_at_fault { AT_FAULT } else { "" };
        let now = match tag.value("type").as_deref() {
            Some("hidden") if self.is_post && !(name == REQUEST_ID && self.may_be_done) => return,
            Some("hidden") if typed.is_none() => return,
            Some("checkbox" | "radio") => {
                let is_set =
                    typed.is_some_and(|typed| tag.value("value").as_deref() == Some(typed));
                let checked = if is_set { " checked" } else { "" };
                tag.with(&["checked"], &format!("{checked}{more}"))
            }
            _ => {
                let typed = escaped(typed.unwrap_or_default());
                tag.with(&["value"], &format!(" value=\"{typed}\"{more}"))
            }
        };
        edits.replace(tag.place.clone(), &now);
    }
}

fn is_made_anew(name: &str) -> bool {
    MADE_ANEW.contains(&name)
}

/// What a control is marked with that was refused.
const AT_FAULT: &str = " aria-invalid=\"true\" aria-describedby=\"refused\"";

/// The refusal, which takes the focus so that the browser shows it.
pub fn above(refused: &Refused<'_>) -> String {
    let says = escaped(refused.says);
    format!(
        "<p class=\"said refused\" id=\"refused\" role=\"alert\" tabindex=\"-1\" autofocus><strong>That did not work.</strong> {says}</p>"
    )
}

/// A page with its form filled in.
pub struct Filled {
    pub html: String,
    /// The refusal's end to the form's end.
    pub form: Range<usize>,
}

/// Of a page's tags the form's first and last, and each `details` that it is in.
struct Form {
    at: usize,
    end: usize,
    within: Vec<usize>,
}

/// Replacements in order of place.
struct Edits<'a> {
    html: &'a str,
    kept_to: usize,
    written: String,
}

impl<'a> Edits<'a> {
    fn new(html: &'a str) -> Self {
        Self {
            html,
            kept_to: 0,
            written: String::with_capacity(html.len() + 1_024),
        }
    }

    fn keep_to(&mut self, place: usize) {
        self.written.push_str(&self.html[self.kept_to..place]);
        self.kept_to = place;
    }

    fn replace(&mut self, place: Range<usize>, now: &str) {
        self.keep_to(place.start);
        self.written.push_str(now);
        self.kept_to = place.end;
    }

    fn whole(mut self) -> String {
        self.keep_to(self.html.len());
        self.written
    }
}

/// One tag of a page.
struct Tag<'a> {
    name: &'a str,
    is_end: bool,
    /// `<` to after `>`.
    place: Range<usize>,
    name_end: usize,
    /// Name, value as written, and both with what is between them.
    attributes: Vec<(&'a str, Option<&'a str>, &'a str)>,
}

impl Tag<'_> {
    fn is(&self, name: &str, is_end: bool) -> bool {
        self.name == name && self.is_end == is_end
    }

    fn is_hidden(&self) -> bool {
        self.is("input", false) && self.value("type").as_deref() == Some("hidden")
    }

    /// Of an attribute; empty for one without.
    fn value(&self, name: &str) -> Option<String> {
        let mut attributes = self.attributes.iter();
        let (_, value, _) = attributes.find(|(of, _, _)| *of == name)?;
        Some(unescaped(value.unwrap_or_default()))
    }

    /// The tag without some attributes, and with `more`.
    fn with(&self, without: &[&str], more: &str) -> String {
        let mut tag = format!("<{}", self.name);
        for (name, _, written) in &self.attributes {
            if !without.contains(name) {
                tag.push(' ');
                tag.push_str(written);
            }
        }
        tag.push_str(more);
        tag.push('>');
        tag
    }
}

fn tags(html: &str) -> Vec<Tag<'_>> {
    let mut tags = Vec::new();
    let mut from = 0;
    while let Some(found) = html[from..].find('<') {
        let start = from + found;
        let is_end = html[start + 1..].starts_with('/');
        let name_start = start + 1 + usize::from(is_end);
        let rest = &html[name_start..];
        let name_len = rest.find(|of: char| !of.is_ascii_alphanumeric());
        let name_len = name_len.unwrap_or(rest.len());
        let name_end = name_start + name_len;
        if name_len == 0 {
            from = start + 1;
            continue;
        }
        let (attributes, end) = attributes(html, name_end);
        tags.push(Tag {
            name: &html[name_start..name_end],
            is_end,
            place: start..end,
            name_end,
            attributes,
        });
        from = end;
    }
    tags
}

type Attributes<'a> = Vec<(&'a str, Option<&'a str>, &'a str)>;

/// The attributes from a place in a tag on, and the tag's end.
fn attributes(html: &str, from: usize) -> (Attributes<'_>, usize) {
    let mut attributes = Vec::new();
    let mut at = from;
    loop {
        let rest = &html[at..];
        at += rest.len() - rest.trim_start().len();
        let rest = &html[at..];
        if rest.is_empty() {
            return (attributes, at);
        }
        if rest.starts_with('>') {
            return (attributes, at + 1);
        }
        let ends = |of: char| of.is_whitespace() || matches!(of, '=' | '>');
        let name_len = rest.find(ends).unwrap_or(rest.len()).max(1);
        let (name, after) = rest.split_at(name_len);
        let (value, len) = match after.strip_prefix("=\"") {
            Some(quoted) => {
                let len = quoted.find('"').unwrap_or(quoted.len());
                let whole = (name_len + 2 + len + 1).min(rest.len());
                (Some(&quoted[..len]), whole)
            }
            None => (None, name_len),
        };
        attributes.push((name, value, &rest[..len]));
        at += len;
    }
}

/// A path with its `%` escapes read, as browsers and templates do not escape the same letters.
fn plain(path: &str) -> Vec<u8> {
    let path = path.split(['?', '#']).next().unwrap_or_default();
    let mut plain = Vec::with_capacity(path.len());
    let mut rest = path.as_bytes();
    while let [first, after @ ..] = rest {
        let code = after
            .get(..2)
            .and_then(|code| std::str::from_utf8(code).ok());
        let code = code.and_then(|code| u8::from_str_radix(code, 16).ok());
        if let Some(code) = code.filter(|_| *first == b'%') {
            plain.push(code);
            rest = &after[2..];
        } else {
            plain.push(*first);
            rest = after;
        }
    }
    plain
}

/// What templates and [`escaped`] write for letters that mean something in HTML.
const ESCAPES: [(char, &str); 5] = [
    ('&', "&#38;"),
    ('<', "&#60;"),
    ('>', "&#62;"),
    ('"', "&#34;"),
    ('\'', "&#39;"),
];

/// A text as HTML has it, in an attribute too.
pub fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars() {
        match ESCAPES.iter().find(|(of, _)| *of == letter) {
            Some((_, written)) => escaped.push_str(written),
            None => escaped.push(letter),
        }
    }
    escaped
}

fn unescaped(text: &str) -> String {
    let mut plain = text.replace("&amp;", "&#38;");
    for (letter, written) in ESCAPES.iter().rev() {
        plain = plain.replace(written, &letter.to_string());
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(path: &str, fields: &[(&str, &str)]) -> Typed {
        let fields = fields.iter();
        Typed {
            path: path.to_owned(),
            is_post: true,
            fields: fields
                .map(|(name, text)| ((*name).to_owned(), (*text).to_owned()))
                .collect(),
            may_be_done: false,
        }
    }

    const NO: Refused<'static> = Refused {
        says: "a < b",
        at_fault: Vec::new(),
    };

    #[test]
    fn each_kind_of_control_gets_what_was_typed() {
        let page = r#"<main><form method="get" action="/x/a%20b"></form><details><summary>More</summary><details>
<form class="wide" method="post" action="/x/a%20b"><input type="hidden" name="etag" value="&#34;9&#34;">
<input id="a" name="note" value="old" required><input type="checkbox" name="all" value="1" checked>
<select name="kind"><option value="1" selected>One</option><option value="2">Two</option></select>
<select name="within"><option>2 h</option><option>8 h</option></select>
<textarea name="text">old</textarea><button name="stage" value="live">Go</button></form></details></details><form method="post" action="/y"></form></main>"#;
        let sent = [
            ("etag", "\"1\""),
            ("note", "it's \"<b>\" & more"),
            ("kind", "2"),
            ("within", "8 h"),
            ("text", "a\n</textarea>"),
        ];
        let refused = Refused {
            at_fault: vec!["note"],
            ..NO
        };
        let filled = typed("/x/a b", &sent).put_into(page, "/x?y=\"1", &refused);
        let filled = filled.expect("the form is there");
        let expected = r#"<main><form method="get" action="/x/a%20b"></form><details open><summary>More</summary><details open>
<p class="said refused" id="refused" role="alert" tabindex="-1" autofocus><strong>That did not work.</strong> a &#60; b</p><form class="wide" method="post" action="/x/a%20b"><input type="hidden" name="on_page" value="/x?y=&#34;1"><input type="hidden" name="etag" value="&#34;9&#34;">
<input id="a" name="note" required value="it&#39;s &#34;&#60;b&#62;&#34; &#38; more" aria-invalid="true" aria-describedby="refused"><input type="checkbox" name="all" value="1">
<select name="kind"><option value="1">One</option><option value="2" selected>Two</option></select>
<select name="within"><option>2 h</option><option selected>8 h</option></select>
<textarea name="text">
a
&#60;/textarea&#62;</textarea><button name="stage" value="live">Go</button></form></details></details><form method="post" action="/y"></form></main>"#;
        assert_eq!(filled.html, expected);
        let form = &filled.html[filled.form];
        assert!(
            form.starts_with("<form class=") && form.ends_with("</button></form>"),
            "{form}"
        );
        assert!(typed("/z", &sent).put_into(page, "/", &NO).is_none());
    }

    /// A form about one call, as a page has them one for each.
    fn about(contact: u32) -> String {
        format!(
            "<form method=\"post\" action=\"/k\"><input type=\"hidden\" name=\"request_id\" value=\"new\">\
             <input type=\"hidden\" name=\"contact\" value=\"{contact}\"><input name=\"note\"></form>"
        )
    }

    #[test]
    fn hidden_fields_tell_forms_of_one_path_apart_and_keep_a_request_that_may_be_done() {
        let page = format!("{}{}", about(1), about(2));
        let sent = [("contact", "2"), ("note", "x"), ("request_id", "old")];
        let mut typed = typed("/k", &sent);
        let filled = typed.put_into(&page, "/", &NO).expect("it is there").html;
        assert!(filled.starts_with(&about(1)), "{filled}");
        assert!(!filled.contains("old"), "{filled}");
        typed.may_be_done = true;
        let filled = typed.put_into(&page, "/", &NO).expect("it is there").html;
        assert!(
            filled.contains("name=\"request_id\" value=\"old\""),
            "{filled}"
        );
    }

    #[test]
    fn what_was_typed_about_one_thing_is_put_into_no_form_of_another() {
        let page = format!(
            "{}{}<form method=\"post\" action=\"/k\"><input name=\"note\"></form>",
            about(1),
            about(2)
        );
        let is_put = |path, sent: &[(&str, &str)]| typed(path, sent).put_into(&page, "/", &NO);
        assert!(is_put("/k", &[("contact", "3"), ("note", "x")]).is_none());
        assert!(is_put("/l", &[("contact", "2"), ("note", "x")]).is_none());
        assert!(is_put("/k", &[("note", "x"), ("reason", "y")]).is_none());
        let whole = is_put("/k", &[("note", "x")]).expect("the last").html;
        assert!(whole.starts_with(&format!("{}{}<p", about(1), about(2))));
        let second = is_put("/k", &[("contact", "2"), ("note", "x")]);
        assert!(second.expect("the second").html.starts_with(&about(1)));
    }

    #[test]
    fn what_looks_something_up_keeps_what_else_its_page_shows() {
        let page = "<form method=\"get\" action=\"/k\"><input type=\"hidden\" name=\"days\" value=\"7\">\
                    <input type=\"hidden\" name=\"show\" value=\"all\"><input name=\"at\"></form>";
        let asked = Typed {
            is_post: false,
            ..typed("/k", &[("days", "30"), ("at", "x")])
        };
        let filled = asked.put_into(page, "/", &NO).expect("it is there");
        assert_eq!(
            &filled.html[filled.form],
            "<form method=\"get\" action=\"/k\"><input type=\"hidden\" name=\"days\" value=\"30\">\
             <input type=\"hidden\" name=\"show\" value=\"all\"><input name=\"at\" value=\"x\"></form>"
        );
    }

    #[test]
    fn all_that_a_person_wrote_is_told_and_nothing_else() {
        let sent = [
            ("contact", "2"),
            ("etag", "\"1\""),
            ("note", "true"),
            ("failure_mode", "leaks"),
            ("minutes", "45"),
            ("into", "12"),
            ("cause", " "),
        ];
        let told = [
            ("note", "true"),
            ("failure mode", "leaks"),
            ("minutes", "45"),
            ("into", "12"),
        ];
        let told = told.map(|(name, text)| (name.to_owned(), text.to_owned()));
        assert_eq!(typed("/k", &sent).words(), told);
    }

    #[test]
    fn no_template_has_a_hidden_field_or_a_numbered_choice_that_would_be_told_as_written() {
        let templates = concat!(env!("CARGO_MANIFEST_DIR"), "/templates");
        let mut found = Vec::new();
        for file in std::fs::read_dir(templates).unwrap() {
            let path = file.unwrap().path();
            let html = std::fs::read_to_string(&path).unwrap();
            let tags = tags(&html);
            let mut is_post = false;
            for (at, tag) in tags.iter().enumerate() {
                let option = tags.get(at + 1).and_then(|next| next.value("value"));
                match tag.name {
                    "form" => is_post = tag.value("method").as_deref() == Some("post"),
                    "input" if is_post && tag.is_hidden() => found.extend(tag.value("name")),
                    "select" if is_post && option.is_some_and(|value| !value.is_empty()) => {
                        found.extend(tag.value("name"));
                    }
                    _ => {}
                }
            }
        }
        // Sends what another form had as it was.
        found.retain(|name| name != "{{ field.0 }}" && !is_made_anew(name));
        found.sort();
        found.dedup();
        assert_eq!(found, CODES);
    }

    #[test]
    fn broken_html_is_read_to_its_end() {
        for page in [
            "<",
            "<form",
            "<form method=\"post",
            "</",
            "<a b=",
            "<form method=\"post\" action=\"/k\">",
        ] {
            assert!(
                typed("/k", &[]).put_into(page, "/", &NO).is_none(),
                "{page}"
            );
        }
        assert_eq!(plain("/a%2"), b"/a%2");
        assert_eq!(unescaped("&#38;#60;&amp;"), "&#60;&");
    }
}
