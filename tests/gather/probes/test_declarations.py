"""What the built-in probes say of themselves can be believed."""

import re
import tomllib

import pytest
from pydantic import TypeAdapter

from verifier.declare.suite import Check
from verifier.gather.catalogue import load_catalogue
from verifier.gather.workers import settings_of

CATALOGUE = load_catalogue()
NAMES = CATALOGUE.names()


def declared(name: str):  # type: ignore[no-untyped-def]
    declaration = CATALOGUE.declaration(name)
    assert declaration is not None
    return declaration


@pytest.mark.parametrize("name", NAMES)
def test_the_example_is_a_check_that_the_probe_can_serve(name: str) -> None:
    declaration = declared(name)
    checks = tomllib.loads(declaration.example)["checks"]
    check = Check.model_validate(checks[0])
    assert check.probe == name and check.limits
    settings_of(declaration, check.settings)
    TypeAdapter(declaration.settings).validate_python(check.settings)
    for limit in check.limits:
        if limit.reading in check.compute:
            continue
        reading = declaration.with_settings(check.settings).reading(limit.reading)
        assert reading is not None and limit.source


@pytest.mark.parametrize("name", NAMES)
def test_every_number_has_a_unit_and_every_probe_its_sources(name: str) -> None:
    declaration = declared(name)
    if declaration.services not in (("order",), ("console",)):
        named = ("Linux", "Devicetree", "VESA", "RFC", "JCGM", "ITU-T", "Garwood", "smartctl(8)", "SCPI", "IEEE")
        named = (*named, "evtest(1)", "Bluetooth Core", "Success-run", "AES17", "NIST", "JESD51", "ISO/IEC 18004")
        assert all(any(word in source for word in named) for source in declaration.sources)
    assert declaration.sources
    for reading in declaration.readings:
        assert bool(reading.unit) == (reading.kind == "number"), reading.name
        assert re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*(_\*)?", reading.name)


def test_lint_sees_what_a_settings_class_refuses() -> None:
    """pydantic runs the dataclass's own checks, so a suite with a bad path never reaches a bench."""
    with pytest.raises(ValueError, match="no USB path"):
        TypeAdapter(declared("usb.device").settings).validate_python({"path": "../x"})
