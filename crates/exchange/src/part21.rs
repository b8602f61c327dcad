//! The clear-text encoding of ISO 10303-21: a table of entities, and how values are spelt.

use std::fmt::Write;

/// A reference to an entity of the table it came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Id(usize);

/// One attribute of an entity.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// `$`: not given.
    Omitted,
    /// `*`: derived by the schema.
    Derived,
    /// A number.
    Real(f64),
    /// A whole number.
    Integer(i32),
    /// `.T.` or `.F.`.
    Boolean(bool),
    /// `.WORD.`
    Word(&'static str),
    /// A text, any Unicode.
    Text(String),
    /// `#n`
    Entity(Id),
    /// `(…)`
    List(Vec<Value>),
    /// `KEYWORD(value)`: a value of a select type.
    Typed(&'static str, Box<Value>),
}

impl From<f64> for Value {
    fn from(v: f64) -> Value {
        Value::Real(v)
    }
}
impl From<i32> for Value {
    fn from(v: i32) -> Value {
        Value::Integer(v)
    }
}
impl From<bool> for Value {
    fn from(v: bool) -> Value {
        Value::Boolean(v)
    }
}
impl From<&str> for Value {
    fn from(v: &str) -> Value {
        Value::Text(v.into())
    }
}
impl From<Id> for Value {
    fn from(v: Id) -> Value {
        Value::Entity(v)
    }
}
impl<T: Into<Value>> From<Vec<T>> for Value {
    fn from(v: Vec<T>) -> Value {
        Value::List(v.into_iter().map(Into::into).collect())
    }
}
impl<T: Into<Value> + Copy, const N: usize> From<[T; N]> for Value {
    fn from(v: [T; N]) -> Value {
        Value::List(v.into_iter().map(Into::into).collect())
    }
}

/// The entities of a file's DATA section, numbered from 1 in the order they were added.
#[derive(Clone, Debug, Default)]
pub struct Table {
    instances: Vec<String>,
}

impl Table {
    /// Adds `KEYWORD(attributes)`.
    pub fn add<const N: usize>(&mut self, keyword: &str, attributes: [Value; N]) -> Id {
        let mut text = String::new();
        record(&mut text, keyword, &attributes);
        self.push(text)
    }

    /// Adds a complex instance `(A(…)B(…))`; the standard wants its parts in alphabetical order.
    pub fn add_complex(&mut self, parts: &[(&str, &[Value])]) -> Id {
        debug_assert!(parts.is_sorted_by_key(|p| p.0));
        let mut text = String::from("(");
        for (keyword, attributes) in parts {
            record(&mut text, keyword, attributes);
        }
        text.push(')');
        self.push(text)
    }

    fn push(&mut self, text: String) -> Id {
        self.instances.push(text);
        Id(self.instances.len())
    }

    /// The whole exchange structure.
    pub fn write(&self, header: &Header) -> String {
        let mut out = String::from("ISO-10303-21;\nHEADER;\n");
        let texts = |lines: &[&str]| Value::from(lines.to_vec());
        let mut line = |keyword: &str, attributes: &[Value]| {
            record(&mut out, keyword, attributes);
            out.push_str(";\n");
        };
        line("FILE_DESCRIPTION", &[texts(&header.description), "2;1".into()]);
        line(
            "FILE_NAME",
            &[
                header.name.into(),
                header.time_stamp.into(),
                texts(&[""]),
                texts(&[""]),
                header.system.into(),
                header.system.into(),
                "".into(),
            ],
        );
        line("FILE_SCHEMA", &[texts(&[header.schema])]);
        out.push_str("ENDSEC;\nDATA;\n");
        for (i, instance) in self.instances.iter().enumerate() {
            // Writing to a String cannot fail.
            let _ = writeln!(out, "#{}={instance};", i + 1);
        }
        out.push_str("ENDSEC;\nEND-ISO-10303-21;\n");
        out
    }
}

/// What the HEADER section says.
#[derive(Clone, Debug)]
pub struct Header<'a> {
    /// Lines about the content; the standard allows 256 characters in each.
    pub description: Vec<&'a str>,
    /// The file's name.
    pub name: &'a str,
    /// ISO 8601, as `2026-01-31T12:00:00Z`.
    pub time_stamp: &'a str,
    /// The program that wrote it.
    pub system: &'a str,
    /// The schema's name.
    pub schema: &'a str,
}

fn record(out: &mut String, keyword: &str, attributes: &[Value]) {
    out.push_str(keyword);
    out.push('(');
    separated(out, attributes);
    out.push(')');
}

fn separated(out: &mut String, values: &[Value]) {
    for (i, v) in values.iter().enumerate() {
        if i > 0 {
            out.push(',');
        }
        value(out, v);
    }
}

fn value(out: &mut String, v: &Value) {
    match v {
        Value::Omitted => out.push('$'),
        Value::Derived => out.push('*'),
        Value::Real(x) => out.push_str(&real(*x)),
        Value::Integer(i) => out.push_str(&i.to_string()),
        Value::Boolean(b) => out.push_str(if *b { ".T." } else { ".F." }),
        Value::Word(w) => {
            out.push('.');
            out.push_str(w);
            out.push('.');
        }
        Value::Text(t) => out.push_str(&text(t)),
        Value::Entity(Id(n)) => {
            out.push('#');
            out.push_str(&n.to_string());
        }
        Value::List(list) => {
            out.push('(');
            separated(out, list);
            out.push(')');
        }
        Value::Typed(keyword, inner) => record(out, keyword, std::slice::from_ref(inner)),
    }
}

/// A finite number as a REAL: the shortest digits that read back as the same number, with the
/// decimal point the standard demands (`1.`, `-0.5`, `1.5E-9`).
pub fn real(x: f64) -> String {
    // Minus zero is zero.
    let shortest = format!("{:?}", x + 0.0);
    let (mantissa, exponent) = match shortest.split_once('e') {
        Some((m, e)) => (m, Some(e)),
        None => (shortest.as_str(), None),
    };
    let mantissa = mantissa.strip_suffix(".0").unwrap_or(mantissa);
    let point = if mantissa.contains('.') { "" } else { "." };
    match exponent {
        Some(e) => format!("{mantissa}{point}E{e}"),
        None => format!("{mantissa}{point}"),
    }
}

/// A text as a STRING: backslashes doubled, what is not in the basic alphabet as `\X2\…\X0\` (or
/// `\X4\…\X0\` beyond the basic plane), control characters as spaces.
///
/// An apostrophe is encoded too, rather than doubled: a doubled one before a comma or a bracket
/// ends the text for a widely used reader, which then drops the whole entity.
pub fn text(s: &str) -> String {
    let mut out = String::from("'");
    // The width, in hexadecimal digits, of the run of encoded characters that is open.
    let mut open = 0;
    for c in s.chars() {
        let c = if c.is_control() { ' ' } else { c };
        let width = match c {
            '\'' => 4,
            ' '..='~' => 0,
            '\u{0}'..='\u{ffff}' => 4,
            _ => 8,
        };
        if width != open {
            if open > 0 {
                out.push_str("\\X0\\");
            }
            match width {
                4 => out.push_str("\\X2\\"),
                8 => out.push_str("\\X4\\"),
                _ => {}
            }
            open = width;
        }
        match (width, c) {
            (0, '\\') => out.push_str("\\\\"),
            (0, c) => out.push(c),
            (w, c) => {
                let _ = write!(out, "{:0w$X}", u32::from(c));
            }
        }
    }
    if open > 0 {
        out.push_str("\\X0\\");
    }
    out.push('\'');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reals_have_a_point_and_read_back() {
        assert_eq!(real(1.0), "1.");
        assert_eq!(real(-0.0), "0.");
        assert_eq!(real(-12.5), "-12.5");
        assert_eq!(real(1e-9), "1.E-9");
        assert_eq!(real(-1.25e22), "-1.25E22");
        for x in [0.1 + 0.2, std::f64::consts::PI * 1e-7, 1.0 / 3.0, 123_456_789.012_345_67] {
            assert_eq!(real(x).parse::<f64>().unwrap(), x);
        }
    }

    /// ISO 10303-21:2016, 6.4.3: `\X2\` with four digits a character, `\X4\` with eight.
    #[test]
    fn texts_are_in_the_basic_alphabet() {
        assert_eq!(text("hub axis"), "'hub axis'");
        assert_eq!(text("it's a \\"), "'it\\X2\\0027\\X0\\s a \\\\'");
        assert_eq!(text("Nabe ⌀ 30"), "'Nabe \\X2\\2300\\X0\\ 30'");
        assert_eq!(text("äö"), "'\\X2\\00E400F6\\X0\\'");
        assert_eq!(text("a😀é"), "'a\\X4\\0001F600\\X0\\\\X2\\00E9\\X0\\'");
        assert_eq!(text("two\nlines"), "'two lines'");
    }

    #[test]
    fn records_are_spelt_as_the_standard_says() {
        let mut t = Table::default();
        let p = t.add("CARTESIAN_POINT", ["".into(), [1.0, 2.0, 3.0].into()]);
        t.add("VERTEX_POINT", ["v".into(), p.into()]);
        t.add_complex(&[
            ("LENGTH_UNIT", &[]),
            ("NAMED_UNIT", &[Value::Derived]),
            ("SI_UNIT", &[Value::Word("MILLI"), Value::Word("METRE")]),
        ]);
        let header =
            Header { description: vec!["x"], name: "n", time_stamp: "2026-01-31T12:00:00Z", system: "s", schema: "S" };
        let file = t.write(&header);
        assert!(file.contains("\n#1=CARTESIAN_POINT('',(1.,2.,3.));\n#2=VERTEX_POINT('v',#1);\n"));
        assert!(file.contains("\n#3=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));\n"));
        assert!(file.starts_with("ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION(('x'),'2;1');\n"));
    }
}
