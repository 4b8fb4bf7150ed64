//! JSON Schema (draft 2020-12) of a site file, from the same table of keys that
//! checks it, for editors that complete and underline.

use super::form::{Form, Key, Need, Often, Section};
use super::keys::SECTIONS;
use super::value::POSE_KEYS;
use serde_json::{Map, Value, json};

/// The schema of a site file.
#[must_use]
pub fn schema() -> Value {
    let mut properties = Map::new();
    let mut required = Vec::new();
    for section in &SECTIONS {
        properties.insert(section.name.to_owned(), of_section(section));
        if matches!(section.often, Often::Once | Often::Some) {
            required.push(section.name);
        }
    }
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Site file",
        "description": "A building's shading: facades, devices, guards, wishes, calendars. Units are in the key names.",
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": false,
        "$defs": { "pose": pose() },
    })
}

fn of_section(section: &Section) -> Value {
    let mut one = of_table(section.keys);
    if !section.many() {
        set(&mut one, "description", section.doc.into());
        return one;
    }
    let mut many = json!({ "type": "array", "description": section.doc, "items": one });
    if section.often == Often::Some {
        set(&mut many, "minItems", 1.into());
    }
    many
}

fn of_table(keys: &[Key]) -> Value {
    let mut properties = Map::new();
    let mut required = Vec::new();
    for key in keys {
        let mut value = of_form(&key.form);
        set(&mut value, "description", key.doc.into());
        match key.need {
            Need::Must => required.push(key.name),
            Need::May => {}
            Need::Else(number) => set(&mut value, "default", number.into()),
            Need::Said(said) => set(
                &mut value,
                "default",
                if matches!(key.form, Form::Flag) {
                    Value::Bool(said == "true")
                } else {
                    said.into()
                },
            ),
        }
        properties.insert(key.name.to_owned(), value);
    }
    let mut table =
        json!({ "type": "object", "properties": properties, "additionalProperties": false });
    if !required.is_empty() {
        set(&mut table, "required", required.into());
    }
    table
}

fn set(value: &mut Value, key: &str, content: Value) {
    if let Value::Object(map) = value {
        map.insert(key.to_owned(), content);
    }
}

fn pose() -> Value {
    json!({ "anyOf": [{ "enum": ["retracted", "extended"] }, of_table(POSE_KEYS)] })
}

fn words(words: &[(&str, &str)]) -> Value {
    json!({ "enum": words.iter().map(|(word, _)| *word).collect::<Vec<_>>() })
}

fn list(items: Value) -> Value {
    json!({ "type": "array", "minItems": 1, "items": items })
}

fn of_form(form: &Form) -> Value {
    match form {
        Form::Text | Form::Ref(_) => json!({ "type": "string", "minLength": 1 }),
        Form::Name => {
            json!({ "type": "string", "minLength": 1, "maxLength": 64, "pattern": "^[^/+#{}$\"]+$" })
        }
        Form::Names | Form::Texts | Form::Refs(_) => {
            list(json!({ "type": "string", "minLength": 1 }))
        }
        Form::Pointer => json!({ "type": "string", "pattern": "^(/([^~]|~[01])*)?$" }),
        Form::Flag => json!({ "type": "boolean" }),
        Form::Number(min, max) => json!({ "type": "number", "minimum": min, "maximum": max }),
        Form::Whole(min, max) => json!({ "type": "integer", "minimum": min, "maximum": max }),
        Form::Clock => json!({ "type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$" }),
        // TOML's own dates reach a JSON Schema as strings in their own form.
        Form::Date => json!({ "type": "string", "format": "date" }),
        Form::Moment => json!({ "type": "string" }),
        Form::Word(known) => words(known),
        Form::Words(known) => list(words(known)),
        Form::Pose => json!({ "$ref": "#/$defs/pose" }),
        Form::Refuge => json!({ "anyOf": [{ "const": "not_harmed" }, { "$ref": "#/$defs/pose" }] }),
        Form::Pairs(a, b) => list(json!({
            "type": "array",
            "prefixItems": [
                { "type": "number", "minimum": a.0, "maximum": a.1 },
                { "type": "number", "minimum": b.0, "maximum": b.1 },
            ],
            "minItems": 2,
            "maxItems": 2,
        })),
        Form::Table(keys) => of_table(keys),
        Form::Tables(keys) => list(of_table(keys)),
        Form::Map(_, inner) => json!({ "type": "object", "additionalProperties": of_form(inner) }),
        Form::Or(a, b) => json!({ "anyOf": [of_form(a), of_form(b)] }),
    }
}
