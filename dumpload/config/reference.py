"""The settings as documents: a JSON Schema and a reference page, both made from the models in `config`.

Run `python -m dumpload.config.reference [FOLDER]` after a change of a setting; a test compares files and models.
"""

import json
import sys
from collections.abc import Iterator, Mapping
from itertools import groupby
from pathlib import Path
from typing import Any

from dumpload.config.errors import Key
from dumpload.config.layers import ENVIRONMENT_PREFIX, show
from dumpload.config.model import Settings, known_keys, needs_restart
from dumpload.files import Output, write_outputs

SCHEMA_FILE = "schema.json"
REFERENCE_FILE = "REFERENCE.md"

_INTRODUCTION = """\
# Settings

Made by `python -m dumpload.config.reference` from the program's own models; do not edit.

The file is TOML. A variable of the environment overrides the file, and `--set KEY=VALUE` overrides both, such as
`--set control.cut_in_percent=98`. The text of an override is read as a TOML value (`98`, `true`,
`["09:00-17:00"]`), or else taken as it is; where a setting is text, it needs no quotes. A key or a variable
beginning with `DUMPLOAD_` that is not listed here is an error, except `DUMPLOAD_CONFIG`, which names the file.

"Reload" says whether a running program takes a change over when told to reload; a change of any other setting is
refused then and needs a restart. NAME is the setting `name`; BASE is `mqtt.base_topic`.
"""

_COLUMNS = ("Key", "Type", "Unit", "Bounds or form", "Default", "Meaning", "Reload", "Environment")

_TYPES = {
    "array": "list",
    "boolean": "true or false",
    "integer": "whole number",
    "number": "number",
    "string": "text",
}


def schema_document() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the file. How settings must fit together it cannot say."""
    schema: dict[str, Any] = _without_null(Settings.model_json_schema())
    schema["title"] = "Settings of dumpload"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _without_null(schema: Any) -> Any:
    """Return a schema without the null that stands for "not set": TOML has none."""
    if isinstance(schema, list):
        return [_without_null(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    properties = {
        name: _without_null(item) for name, item in schema.items() if not (name == "default" and item is None)
    }
    options = [option for option in properties.get("anyOf", ()) if option != {"type": "null"}]
    return {**properties.pop("anyOf")[0], **properties} if len(options) == 1 else properties


def reference_page() -> str:
    """Return the reference of every setting, in Markdown."""
    tables = dict(_describe(schema_document()))
    parts = [_INTRODUCTION]
    for table, keys in groupby(known_keys().values(), _table_name):
        title = f"[{table}]" if table else "Top of the file"
        rows = [_COLUMNS, ("---",) * len(_COLUMNS), *map(_row, keys)]
        lines = ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
        parts.append("\n".join([f"## {title}", "", tables[table], "", *lines, ""]))
    return "\n".join(parts)


def _table_name(key: Key) -> str:
    return key.name.rpartition(".")[0]


def _describe(schema: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield the dotted name of every table ("" for the top) and what it is for."""
    pending = [("", schema)]
    for name, table in pending:
        yield name, table["description"]
        for below, described in table["properties"].items():
            if "$ref" in described:
                merged = {**schema["$defs"][described["$ref"].rpartition("/")[2]], **described}
                pending.append((f"{name}.{below}" if name else below, merged))


def _row(key: Key) -> tuple[str, ...]:
    schema = key.schema
    variable = ENVIRONMENT_PREFIX + key.name.replace(".", "__").upper()
    return (
        f"`{key.name.rpartition('.')[2]}`",
        "file" if key.is_path else _TYPES[schema["type"]],
        schema.get("x-unit", ""),
        _form(key),
        "must be set" if key.required else _default(schema["default"]),
        schema["description"],
        "no" if needs_restart(key.name) else "yes",
        f"`{variable}`",
    )


def _form(key: Key) -> str:
    if key.schema["type"] == "boolean":
        return ""
    return key.bounds.strip() if key.schema["type"] in ("integer", "number") else key.kind


def _default(value: Any) -> str:
    if value is None:
        return "not set"
    return f"`{value:g}`" if isinstance(value, float) else f"`{show(value)}`"


def write(folder: Path) -> None:
    """Write both documents into a folder."""
    schema = json.dumps(schema_document(), indent=2, ensure_ascii=False) + "\n"
    documents = ((SCHEMA_FILE, schema), (REFERENCE_FILE, reference_page()))
    write_outputs([Output("FOLDER", folder / name, text.encode()) for name, text in documents], [])


if __name__ == "__main__":
    write(Path(sys.argv[1] if len(sys.argv) > 1 else "config"))
