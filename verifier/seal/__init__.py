"""Takes findings, gives a sealed record that anyone can check.

build_record    a run's state and outcome -> record, and what stands behind its personal fields
load_or_create  a station's key for a role
seal_run        record -> sealed record, entered in the station's ledger
seal_page       a page made from it -> sealed report
record_in, report_in, named    what a run's files are called
open_sealed     the way back, for showing; believes what it reads
TrustList       whom to believe: the station's own keys, a trust file
seal_amendment  what has to be said of a sealed record later -> a sealed amendment beside it
amendments_of   how a sealed record stands now: voided, superseded, corrected
retire          a key that is to seal nothing more
audit           files -> are they unaltered, and who sealed them; believes only the trust list
record_schema   the published JSON Schemas (`sealed_schema` for the file that holds a record)
"""

from verifier.seal.amending import Standing, amendments_of, seal_amendment
from verifier.seal.amendment import Amendment, SealedAmendment, correctable
from verifier.seal.amendment_build import Wanted, amendment_for
from verifier.seal.audit import Audit, AuditLine, amended_words, audit
from verifier.seal.build import build_record
from verifier.seal.envelope import Sealed, open_sealed
from verifier.seal.keys import SigningKey, fingerprint, key_set, load_all, load_or_create
from verifier.seal.page import embed, seal_page
from verifier.seal.retiring import portable, portable_standing, proofs_from, retire, retired_keys
from verifier.seal.run_files import named, record_in, report_in
from verifier.seal.schema import record_schema, sealed_schema
from verifier.seal.sealing import read_sealed, seal_run
from verifier.seal.trust import TrustedKey, TrustList, public_keys
from verifier.seal.verify import Proofs, Status, check_sealed

__all__ = [
    "Amendment",
    "Audit",
    "AuditLine",
    "Proofs",
    "Sealed",
    "SealedAmendment",
    "SigningKey",
    "Standing",
    "Status",
    "TrustList",
    "TrustedKey",
    "Wanted",
    "amended_words",
    "amendment_for",
    "amendments_of",
    "audit",
    "build_record",
    "check_sealed",
    "correctable",
    "embed",
    "fingerprint",
    "key_set",
    "load_all",
    "load_or_create",
    "named",
    "open_sealed",
    "portable",
    "portable_standing",
    "proofs_from",
    "public_keys",
    "read_sealed",
    "record_in",
    "record_schema",
    "report_in",
    "retire",
    "retired_keys",
    "seal_amendment",
    "seal_page",
    "seal_run",
    "sealed_schema",
]
