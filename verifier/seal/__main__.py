"""Writes the published JSON Schemas anew: python -m verifier.seal"""

from verifier.seal.schema import schema_files

for path, text in schema_files().items():
    path.write_text(text, "utf-8")
