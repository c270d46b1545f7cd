//! Values read from a case file, with errors that name the key and the line.

use std::ops::Range;

use toml_edit::{Document, Item, TableLike};

use crate::error::{CliError, exit, plain, quoted};

/// The text of a case file and the name by which errors call it.
pub(crate) struct Source {
    pub(crate) name: String,
    pub(crate) text: String,
}

impl Source {
    /// The parsed document.
    pub(crate) fn parse(&self) -> Result<Document<&str>, CliError> {
        Document::parse(self.text.as_str()).map_err(|e| {
            let line = e.span().map_or(1, |s| self.line(&s));
            let message = e.message().lines().collect::<Vec<_>>().join("; ");
            self.error("case-syntax", format!("not TOML: {message}"), line, "mend the line")
        })
    }

    fn line(&self, span: &Range<usize>) -> usize {
        1 + self.text.as_bytes().iter().take(span.start).filter(|&&b| b == b'\n').count()
    }

    pub(crate) fn error(
        &self,
        code: &str,
        what: impl Into<String>,
        line: usize,
        remedy: impl Into<String>,
    ) -> CliError {
        CliError::new(exit::USAGE, code, what, format!("{} line {line}", self.name), remedy)
    }
}

/// One table of a case file, whose keys are all known.
pub(crate) struct Section<'a> {
    source: &'a Source,
    /// How errors call the table: `[walls]`, `[[site.limit]] 1 of [[site]] 2`, or nothing for the top.
    path: String,
    /// Its full name in the file: `site.limit`.
    name: String,
    table: &'a dyn TableLike,
    line: usize,
}

impl<'a> Section<'a> {
    /// A table whose keys must all be among `known`.
    pub(crate) fn new(
        source: &'a Source,
        table: &'a dyn TableLike,
        line: usize,
        known: &[&str],
    ) -> Result<Self, CliError> {
        Self { source, path: String::new(), name: String::new(), table, line }.checked(known)
    }

    fn checked(self, known: &[&str]) -> Result<Self, CliError> {
        let (table, section) = (self.table, self);
        for (key, _) in table.iter() {
            if !known.contains(&key) {
                let nearest = known.iter().max_by(|a, b| {
                    strsim::jaro_winkler(a, key).total_cmp(&strsim::jaro_winkler(b, key))
                });
                let remedy =
                    nearest.map_or(String::new(), |n| format!("the nearest known key is `{n}`"));
                let line = section.line_of(key);
                return Err(section.fail(
                    "case-unknown-key",
                    format!("unknown key {}", quoted(key)),
                    line,
                    &remedy,
                ));
            }
        }
        Ok(section)
    }

    pub(crate) fn line_of(&self, key: &str) -> usize {
        let span = self
            .table
            .key(key)
            .and_then(|k| k.span())
            .or_else(|| self.table.get(key).and_then(Item::span));
        span.map_or(self.line, |s| self.source.line(&s))
    }

    fn fail(&self, code: &str, what: String, line: usize, remedy: &str) -> CliError {
        let what = if self.path.is_empty() { what } else { format!("{what} in {}", self.path) };
        self.source.error(code, what, line, remedy)
    }

    /// An error about a key's value.
    pub(crate) fn bad(&self, key: &str, what: impl Into<String>, remedy: &str) -> CliError {
        self.fail("case-value", format!("`{key}`: {}", what.into()), self.line_of(key), remedy)
    }

    /// An error about a key that cannot be kept together with another.
    pub(crate) fn contradictory(&self, key: &str, what: String, remedy: &str) -> CliError {
        self.fail("contradictory-rules", what, self.line_of(key), remedy)
    }

    /// An error about a key that must be there.
    pub(crate) fn missing(&self, key: &str, remedy: &str) -> CliError {
        self.fail("case-missing-key", format!("`{key}` is missing"), self.line, remedy)
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    fn item(&self, key: &str) -> Option<&'a Item> {
        self.table.get(key)
    }

    pub(crate) fn text(&self, key: &str) -> Result<Option<String>, CliError> {
        let Some(item) = self.item(key) else { return Ok(None) };
        item.as_str().map(|t| Some(t.to_owned())).ok_or_else(|| {
            self.bad(key, format!("{} is not a text", shown(item)), "write it in quotes")
        })
    }

    pub(crate) fn flag(&self, key: &str) -> Result<Option<bool>, CliError> {
        let Some(item) = self.item(key) else { return Ok(None) };
        item.as_bool().map(Some).ok_or_else(|| {
            self.bad(key, format!("{} is not true or false", shown(item)), "write true or false")
        })
    }

    /// Whether a key is switched off by `false`.
    pub(crate) fn is_off(&self, key: &str) -> bool {
        self.item(key).and_then(Item::as_bool) == Some(false)
    }

    pub(crate) fn number(&self, key: &str) -> Result<Option<f64>, CliError> {
        let Some(item) = self.item(key) else { return Ok(None) };
        self.as_number(key, item).map(Some)
    }

    /// A number within a range, or `false`: `Some(None)` where it is switched off.
    pub(crate) fn number_or_off(
        &self,
        key: &str,
        low: f64,
        high: f64,
    ) -> Result<Option<Option<f64>>, CliError> {
        let Some(item) = self.item(key) else { return Ok(None) };
        if self.is_off(key) {
            return Ok(Some(None));
        }
        if !(item.is_float() || item.is_integer()) {
            let remedy = format!("give a number, {low} to {high}, or false");
            return Err(self.bad(key, format!("{} is no number", shown(item)), &remedy));
        }
        Ok(self.number_in(key, low, high)?.map(Some))
    }

    /// A number within a range.
    pub(crate) fn number_in(
        &self,
        key: &str,
        low: f64,
        high: f64,
    ) -> Result<Option<f64>, CliError> {
        let Some(value) = self.number(key)? else { return Ok(None) };
        if value >= low && value <= high {
            return Ok(Some(value));
        }
        Err(self.bad(key, format!("{value} is out of range"), &format!("give {low} to {high}")))
    }

    fn as_number(&self, key: &str, item: &Item) -> Result<f64, CliError> {
        // A whole number of a case file is a few digits.
        #[allow(clippy::cast_precision_loss)]
        let value = item.as_float().or_else(|| item.as_integer().map(|i| i as f64));
        match value {
            Some(value) if value.is_finite() => Ok(value),
            _ => Err(self.bad(
                key,
                format!("{} is not a finite number", shown(item)),
                "give a number",
            )),
        }
    }

    pub(crate) fn numbers(&self, key: &str) -> Result<Option<Vec<f64>>, CliError> {
        self.numbers_or_say(key, "give a list of numbers")
    }

    /// Numbers, or an error that says what to give.
    pub(crate) fn numbers_or_say(
        &self,
        key: &str,
        remedy: &str,
    ) -> Result<Option<Vec<f64>>, CliError> {
        let Some(item) = self.item(key) else { return Ok(None) };
        let Some(array) = item.as_array() else {
            return Err(self.bad(key, format!("{} is not a list", shown(item)), remedy));
        };
        array
            .iter()
            .map(|v| self.as_number(key, &Item::Value(v.clone())))
            .collect::<Result<_, _>>()
            .map(Some)
    }

    /// Three numbers.
    pub(crate) fn triple(&self, key: &str) -> Result<Option<[f64; 3]>, CliError> {
        let Some(numbers) = self.numbers(key)? else { return Ok(None) };
        let count = numbers.len();
        numbers.try_into().map(Some).map_err(|_| {
            self.bad(key, format!("{count} numbers"), "give three: x, y, z in LPS millimetres")
        })
    }

    /// A list of lists of `N` numbers.
    pub(crate) fn rows<const N: usize>(
        &self,
        key: &str,
    ) -> Result<Option<Vec<[f64; N]>>, CliError> {
        let Some(item) = self.item(key) else { return Ok(None) };
        let not_rows =
            || self.bad(key, format!("not a list of lists of {N} numbers"), "give [[…], […]]");
        let array = item.as_array().ok_or_else(not_rows)?;
        let mut rows = Vec::new();
        for row in array {
            let row = row.as_array().ok_or_else(not_rows)?;
            let numbers: Vec<f64> = row
                .iter()
                .map(|v| self.as_number(key, &Item::Value(v.clone())))
                .collect::<Result<_, _>>()?;
            rows.push(numbers.try_into().map_err(|_| not_rows())?);
        }
        Ok(Some(rows))
    }

    /// The full name of a key of this table.
    fn under(&self, key: &str) -> String {
        if self.name.is_empty() { key.to_owned() } else { format!("{}.{key}", self.name) }
    }

    fn part(
        &self,
        key: &str,
        path: String,
        table: &'a dyn TableLike,
        line: usize,
        known: &[&str],
    ) -> Result<Self, CliError> {
        let path = if self.path.is_empty() { path } else { format!("{path} of {}", self.path) };
        let (source, name) = (self.source, self.under(key));
        Self { source, path, name, table, line }.checked(known)
    }

    /// A table under this one.
    pub(crate) fn table(&self, key: &str, known: &[&str]) -> Result<Option<Section<'a>>, CliError> {
        let Some(item) = self.item(key) else { return Ok(None) };
        let table = item
            .as_table_like()
            .ok_or_else(|| self.bad(key, "not a table", &format!("write [{}]", self.under(key))))?;
        self.part(key, format!("[{}]", self.under(key)), table, self.line_of(key), known).map(Some)
    }

    /// An array of tables under this one.
    pub(crate) fn tables(&self, key: &str, known: &[&str]) -> Result<Vec<Section<'a>>, CliError> {
        let Some(item) = self.item(key) else { return Ok(Vec::new()) };
        let not_tables = || {
            let name = self.under(key);
            let remedy = format!("write [[{name}]] for each, or {key} = [{{…}}, …]");
            self.bad(key, "not a list of tables", &remedy)
        };
        let mut tables: Vec<(&'a dyn TableLike, Option<Range<usize>>)> = Vec::new();
        if let Some(array) = item.as_array_of_tables() {
            tables.extend(array.iter().map(|t| (t as &dyn TableLike, t.span())));
        } else if let Some(array) = item.as_array() {
            for value in array {
                let table = value.as_inline_table().ok_or_else(not_tables)?;
                tables.push((table as &dyn TableLike, table.span()));
            }
        } else {
            return Err(not_tables());
        }
        tables
            .into_iter()
            .enumerate()
            .map(|(n, (table, span))| {
                let line = span.map_or(self.line, |s| self.source.line(&s));
                self.part(key, format!("[[{}]] {}", self.under(key), n + 1), table, line, known)
            })
            .collect()
    }
}

/// A value as TOML writes it, its quotes with it.
fn shown(item: &Item) -> String {
    let text = item.to_string();
    let text = text.trim();
    if text.chars().count() > 40 {
        let head: String = text.chars().take(40).collect();
        return format!("{} …", plain(&head));
    }
    plain(text)
}
