"""Takes a record, gives the report a person reads."""

from verifier.show.report import RENDERER, render_front

__all__ = ["RENDERER", "render_front"]
