"""Whom a station believes: its own keys, those it has retired, and its trust list."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from verifier.errors import InputError, SealError
from verifier.seal import TrustList, public_keys, retired_keys
from verifier.store.station import Station


def own_keys(station: Station) -> TrustList:
    """The station's own keys, with those it has retired. Raises `SealError`; creates nothing."""
    # Without a name: a record goes on to call its station what it was called then.
    keys = (*public_keys(station.keys), *retired_keys(station.keys))
    return TrustList(replace(key, name="", own=True) for key in keys)


def believed(station: Station, also: Path | None = None) -> tuple[TrustList, list[str]]:
    """Own keys, the station's trust list and the trust file `also`; and what to warn about.

    InputError where `also` cannot be used; what is wrong with the station's own files is a warning.
    """
    trust, warnings = TrustList(), []
    try:
        trust = own_keys(station)
    except (SealError, InputError) as error:
        warnings.append(f"This station's own keys are not believed: {error}")
    if station.trust_file.is_file():
        try:
            trust = trust.also(TrustList.load(station.trust_file))
        except InputError as error:
            warnings.append(f"This station's trust list is not believed: {error}")
    if also:
        trust = trust.also(TrustList.load(also))
    if not trust and not warnings:
        warnings.append(
            f"No key is known here ({station.keys} holds none), so every signer is unknown. Name the file with "
            "the keys of the stations that you trust with --trust FILE, or add them with `verifier keys trust`."
        )
    return trust, warnings
