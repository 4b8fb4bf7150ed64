//! Descriptions (AsyncAPI, OpenAPI), and whether a message is as they have it.

use serde_json::Value;
use std::path::Path;

/// A description.
pub(crate) struct Described(pub(crate) Value);

impl Described {
    /// Reads one of the project's.
    pub(crate) fn read(path: &str) -> Self {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
        Self(serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap())
    }

    pub(crate) fn resolve<'a>(&'a self, value: &'a Value) -> &'a Value {
        match value["$ref"].as_str() {
            Some(reference) => self.resolve(self.0.pointer(&reference[1..]).unwrap()),
            None => value,
        }
    }

    /// Whether a value is as a schema has it; the part of JSON Schema that is used here.
    pub(crate) fn check(&self, schema: &Value, value: &Value, at: &str) -> Result<(), String> {
        let schema = self.resolve(schema);
        if let Some(choices) = schema["oneOf"].as_array() {
            let fits = choices
                .iter()
                .filter(|choice| self.check(choice, value, at).is_ok())
                .count();
            return if fits == 1 {
                Ok(())
            } else {
                Err(format!("{at}: {value} fits {fits} of the choices"))
            };
        }
        check_type(&schema["type"], value).map_err(|wrong| format!("{at}: {wrong}"))?;
        if let Some(all) = schema["enum"].as_array()
            && !all.contains(value)
        {
            return Err(format!("{at}: {value} is none of {all:?}"));
        }
        for (key, beyond) in [("minimum", -1.0), ("maximum", 1.0)] {
            if let (Some(bound), Some(number)) = (schema[key].as_f64(), value.as_f64())
                && (number - bound) * beyond > 0.0
            {
                return Err(format!("{at}: {number} is beyond the {key} {bound}"));
            }
        }
        if schema["format"] == "date-time"
            && value
                .as_str()
                .is_some_and(|text| chrono::DateTime::parse_from_rfc3339(text).is_err())
        {
            return Err(format!("{at}: {value} is no moment"));
        }
        if let (Some(items), Some(all)) = (schema.get("items"), value.as_array()) {
            for item in all {
                self.check(items, item, &format!("{at}[]"))?;
            }
        }
        let Some(fields) = value.as_object() else {
            return Ok(());
        };
        for needed in schema["required"].as_array().into_iter().flatten() {
            if !fields.contains_key(needed.as_str().unwrap()) {
                return Err(format!("{at}: {needed} is missing"));
            }
        }
        for (key, field) in fields {
            match schema["properties"].get(key) {
                Some(of) => self.check(of, field, &format!("{at}.{key}"))?,
                None if schema["additionalProperties"] == false => {
                    return Err(format!("{at}: {key} is not described"));
                }
                None => {}
            }
        }
        Ok(())
    }
}

fn check_type(types: &Value, value: &Value) -> Result<(), String> {
    let is = |name: &str| match name {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        "integer" => value.is_i64() || value.is_u64(),
        "number" => value.is_number(),
        other => panic!("a type that this check does not know: {other}"),
    };
    let fits = match types {
        Value::String(one) => is(one),
        Value::Array(some) => some.iter().any(|one| is(one.as_str().unwrap())),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::Object(_) => true,
    };
    if fits {
        Ok(())
    } else {
        Err(format!("{value} is no {types}"))
    }
}
