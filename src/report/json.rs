//! Results as one JSON document.

use std::io::{self, Write};

use serde::Serialize;
use serde_json::ser::{Formatter, PrettyFormatter, Serializer};

use super::SAFETY;

#[derive(Serialize)]
struct Envelope<'a, T: Serialize> {
    wearcast: &'static str,
    command: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    safety: Option<&'static str>,
    #[serde(flatten)]
    body: &'a T,
}

/// One JSON document: `{"wearcast": version, "command": command}` and then the fields of `body`
/// (a struct or a map), indented, with a line end.
///
/// Numbers are written to twelve significant digits: what lies beyond differs between maths
/// libraries, and nobody can use it. A number that does not exist (not finite) is `null`.
pub fn json<T: Serialize>(command: &str, body: &T) -> String {
    written(command, None, body)
}

/// As [`json`], with [`SAFETY`] as the field `safety`: for results that tell someone to inspect or change a part.
pub fn json_of_work<T: Serialize>(command: &str, body: &T) -> String {
    written(command, Some(SAFETY), body)
}

fn written<T: Serialize>(command: &str, safety: Option<&'static str>, body: &T) -> String {
    let envelope = Envelope {
        wearcast: env!("CARGO_PKG_VERSION"),
        command,
        safety,
        body,
    };
    let mut out = Vec::new();
    let mut serializer = Serializer::with_formatter(&mut out, Rounded(PrettyFormatter::new()));
    if let Err(error) = envelope.serialize(&mut serializer) {
        // Only a body that is neither a struct nor a map gets here: say so, still as JSON.
        let told = serde_json::json!({"wearcast": env!("CARGO_PKG_VERSION"), "command": command,
            "error": format!("this result cannot be written as JSON: {error}")});
        return format!("{told}\n");
    }
    out.push(b'\n');
    String::from_utf8(out).unwrap_or_default()
}

/// Rounds every float on the way out.
fn rounded(value: f64) -> f64 {
    format!("{value:.11e}").parse().unwrap_or(value)
}

struct Rounded<'a>(PrettyFormatter<'a>);

/// Everything as the pretty formatter does it, but for floats.
macro_rules! as_before {
    ($($name:ident($($arg:ident: $kind:ty),*);)*) => {
        $(fn $name<W: ?Sized + Write>(&mut self, writer: &mut W $(, $arg: $kind)*) -> io::Result<()> {
            self.0.$name(writer $(, $arg)*)
        })*
    };
}

impl Formatter for Rounded<'_> {
    fn write_f64<W: ?Sized + Write>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        let value = rounded(value);
        // Whole numbers without a point: 140, not 140.0.
        if value.fract() == 0.0 && value.abs() < 1e15 {
            write!(writer, "{value:.0}")
        } else {
            self.0.write_f64(writer, value)
        }
    }
    as_before! {
        begin_array();
        end_array();
        begin_array_value(first: bool);
        end_array_value();
        begin_object();
        end_object();
        begin_object_key(first: bool);
        begin_object_value();
        end_object_value();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Serialize)]
    struct Body {
        third: f64,
        whole: f64,
        missing: Option<f64>,
        nan: f64,
        list: Vec<i32>,
        name: String,
    }

    #[test]
    fn the_envelope_comes_first_and_numbers_are_rounded() {
        let body = Body {
            third: 1.0 / 3.0,
            whole: -0.0,
            missing: None,
            nan: f64::NAN,
            list: vec![1, 2],
            name: "</script>\u{1b}\"".to_owned(),
        };
        let written = json("fit", &body);
        let version = env!("CARGO_PKG_VERSION");
        assert!(
            written.starts_with(&format!("{{\n  \"wearcast\": \"{version}\",\n  \"command\": \"fit\",\n  \"third\": 0.333333333333,\n")),
            "{written}"
        );
        let back: serde_json::Value = serde_json::from_str(&written).unwrap();
        assert_eq!(back["name"], "</script>\u{1b}\"");
        assert!(back["nan"].is_null() && back["missing"].is_null());
        assert_eq!(back["list"][1], 2);
    }

    #[test]
    fn a_body_without_fields_is_told_as_json() {
        let back: serde_json::Value = serde_json::from_str(&json("fit", &[1, 2])).unwrap();
        assert!(back["error"].as_str().unwrap().contains("JSON"));
    }
}
