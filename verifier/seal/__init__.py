"""Takes findings, gives a sealed record that anyone can check.

build_record    a run's state and outcome -> record, and what stands behind its personal fields
load_or_create  a station's key for a role
seal_run        record -> sealed record, entered in the station's ledger
seal_page       a page made from it -> sealed report
record_in, report_in, named    what a run's files are called
open_sealed     the way back, for showing; believes what it reads
TrustList       whom to believe: the station's own keys, a trust file
audit           files -> are they unaltered, and who sealed them; believes only the trust list
record_schema   the published JSON Schemas (`sealed_schema` for the file that holds a record)
"""

from verifier.seal.audit import Audit, AuditLine, audit
from verifier.seal.build import build_record
from verifier.seal.envelope import Sealed, open_sealed
from verifier.seal.keys import SigningKey, fingerprint, key_set, load_all, load_or_create
from verifier.seal.page import embed, seal_page
from verifier.seal.run_files import named, record_in, report_in
from verifier.seal.schema import record_schema, sealed_schema
from verifier.seal.sealing import read_sealed, seal_run
from verifier.seal.trust import TrustedKey, TrustList, public_keys
from verifier.seal.verify import Status, check_sealed

__all__ = [
    "Audit",
    "AuditLine",
    "Sealed",
    "SigningKey",
    "Status",
    "TrustList",
    "TrustedKey",
    "audit",
    "build_record",
    "check_sealed",
    "embed",
    "fingerprint",
    "key_set",
    "load_all",
    "load_or_create",
    "named",
    "open_sealed",
    "public_keys",
    "read_sealed",
    "record_in",
    "record_schema",
    "report_in",
    "seal_page",
    "seal_run",
    "sealed_schema",
]
