"""The published JSON Schemas of the record, of the amendment, and of the sealed file that holds either.

`python -m verifier.seal` writes the files anew; a test says when they are stale.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from verifier.seal.amendment import Amendment
from verifier.seal.envelope import SealedFile
from verifier.seal.record import Record

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
FOLDER = Path(__file__).parent


def record_schema() -> dict[str, Any]:
    """JSON Schema of the record: the payload of the JWS in a sealed record."""
    return {"$schema": _DIALECT} | Record.model_json_schema(by_alias=True)


def amendment_schema() -> dict[str, Any]:
    """JSON Schema of the amendment: the payload of the JWS in a sealed amendment."""
    return {"$schema": _DIALECT} | Amendment.model_json_schema(by_alias=True)


def sealed_schema() -> dict[str, Any]:
    """JSON Schema of the sealed record: the file."""
    return {"$schema": _DIALECT} | SealedFile.model_json_schema(by_alias=True)


def schema_files() -> dict[Path, str]:
    """The schema files as they are to be."""
    return {
        FOLDER / f"{name}.schema.json": json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
        for name, schema in (
            ("record", record_schema()),
            ("amendment", amendment_schema()),
            ("sealed", sealed_schema()),
        )
    }
