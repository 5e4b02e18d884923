"""Checks a claim pack, trusting nobody: files, signature, then every figure computed again from the readings.

Four questions, in this order: is every file the one that was listed, was the list signed by the key in the
pack, do the readings give the figures that are stated, and is everything else in the pack (report, tables,
schemas) what these values give. Whose key it is can only be said against a list of known keys.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import typst

from analysis.claim.bag import MANIFEST, SIGNATURE, TAG_MANIFEST, Files, bag_faults
from analysis.claim.compare import Count, result_differences
from analysis.claim.documents import FORMAT, JobDocument, MadeWith
from analysis.claim.oddities import oddities
from analysis.claim.pack import KEY_FILE, SIGNERS_FILE, build_files, current_versions, read_pack, run_names
from analysis.claim.signature import PublicKey, check, parse_public_key
from analysis.claim.unpack import unpack
from analysis.claim.values import ClaimInput
from analysis.claim.worked import table_difference, tables_of
from analysis.claim.working import work_out
from config.errors import InputError

MOST_NAMED = 6


@dataclass(slots=True)
class Report:
    """What the check found.

    Attributes:
        faults: file and figure of everything that is not as it must be; empty when the pack is good.
        warnings: what cannot be settled from the pack alone.
        not_compared: files that are not as this version writes them, in a pack of another version: whether
            they say what the readings give is not known.
        fingerprint: of the key that signed; None when there is no good signature.
        figures: how many figures were compared.
        runs: how many runs were computed anew.
    """

    faults: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    not_compared: list[str] = field(default_factory=list)
    fingerprint: str | None = None
    figures: int = 0
    runs: int = 0

    @property
    def good(self) -> bool:
        """Unchanged, signed, and every figure as the readings give it."""
        return not self.faults

    @property
    def whole(self) -> bool:
        """Good, and every other file of it, the report above all, was compared too."""
        return self.good and not self.not_compared


def verify_pack(path: Path, known_keys: Mapping[str, str] | None = None) -> Report:
    """Check the pack at `path`.

    Args:
        path: the zip, or the folder that was in it.
        known_keys: fingerprint to name of keys that the verifier knows; see `read_known_keys`.

    Raises:
        InputError: it is no claim pack at all.
    """
    unpacked = unpack(path)
    files = unpacked.files
    if "bagit.txt" not in files and MANIFEST not in files:
        raise InputError("is no claim pack", where=str(path), expected="a BagIt bag with bagit.txt")
    report = Report()
    report.faults += [
        f"{path}: its bytes do not fit the zip file: it was changed" for path in unpacked.damaged
    ]
    if not unpacked.as_written and not unpacked.damaged:
        report.faults.append(
            "the zip file: is not byte for byte as it was written: something was added around its files, "
            "or it was packed anew (unzip it and check the folder to see whether the files are good)"
        )
    report.faults += bag_faults(files)
    key = _signature(files, report)
    _known(key, known_keys or {}, report)
    try:
        claim, document = read_pack(files)
        _recompute(files, claim, document, key, report)
    except InputError as error:
        report.faults.append(error.line())
    except (ValueError, ArithmeticError, typst.TypstError) as error:
        # Well-formed values that no measurement gives, such as a date in the year 1 or an angle of 1e300.
        report.faults.append(f"data/: holds values that cannot be computed with: {error}")
    return report


def read_known_keys(text: str, where: str) -> dict[str, str]:
    """Fingerprint to name, from lines ``ssh-ed25519 AAAA… name``; empty lines and ``#`` are skipped.

    Raises:
        InputError: a line is no key; names the line.
    """
    known: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            key = parse_public_key(line, where=f"{where}, line {number}")
            known[key.fingerprint] = " ".join(line.split()[2:]) or "without a name"
    return known


def _signature(files: Mapping[str, bytes], report: Report) -> PublicKey | None:
    if SIGNATURE not in files or TAG_MANIFEST not in files:
        report.faults.append(f"{SIGNATURE}: the pack is not signed")
        return None
    try:
        key = check(files[TAG_MANIFEST], files[SIGNATURE])
        stated = parse_public_key(files.get(KEY_FILE, b"").decode("utf-8", "replace"), where=KEY_FILE)
    except InputError as error:
        report.faults.append(f"{SIGNATURE}: {error.line()}")
        return None
    if stated != key:
        report.faults.append(f"{KEY_FILE}: is not the key that signed the pack")
    if files.get(SIGNERS_FILE) != key.allowed_signers.encode():
        report.faults.append(f"{SIGNERS_FILE}: does not name the key that signed the pack")
    report.fingerprint = key.fingerprint
    return key


def _known(key: PublicKey | None, known: Mapping[str, str], report: Report) -> None:
    if key is not None and key.fingerprint not in known:
        report.warnings.append(
            f"the key {key.fingerprint} is not known here: compare it with one that the workshop gave you "
            "in another way, then list it with --known-keys"
        )


def _recompute(
    files: Mapping[str, bytes],
    claim: ClaimInput,
    document: JobDocument,
    key: PublicKey | None,
    report: Report,
) -> None:
    here = current_versions()
    same = document.format == FORMAT and document.made_with == here
    count = Count()
    workings = [work_out(run) for run in claim.runs]
    for entry, run, working in zip(document.runs, claim.runs, workings, strict=True):
        for place, told, found in result_differences(run.result, working.result, texts=same, count=count):
            report.faults.append(
                f"data/{entry.result}: {place} is stated as {told}, the readings give {found}"
            )
        report.runs += 1
    report.figures = count.figures
    report.warnings += oddities(claim)
    anew = [tables_of(working, name) for name, working in zip(run_names(claim), workings, strict=True)]
    if not same:
        report.not_compared = _not_rebuilt(files, claim, anew, key, document.made_with)
        report.warnings.append(_other_version(document, here, report.not_compared))
        return
    tables = _tables(files, anew, report)
    if key is not None and not report.faults:
        # A report or description that says something else than the pack gives is found.
        report.faults += [
            f"{path}: is not what the readings and the job of this pack give"
            for path in _not_rebuilt(files, claim, tables, key, document.made_with)
        ]


def _other_version(document: JobDocument, here: MadeWith, not_compared: Sequence[str]) -> str:
    there = document.made_with
    named = ", ".join(not_compared[:MOST_NAMED]) or "nothing"
    more = f" and {len(not_compared) - MOST_NAMED} more" if not_compared[MOST_NAMED:] else ""
    return (
        f"made with hubproof {there.hubproof} and typst {there.typst} in the form {document.format}, checked "
        f"with {here.hubproof} and {here.typst} in {FORMAT}; not compared, because another version wrote it: "
        f"{named}{more}"
    )


def _tables(files: Mapping[str, bytes], anew: Sequence[Files], report: Report) -> list[Files]:
    """The tables of each run's working as the pack has them; what differs from the readings is a fault."""
    found = []
    for of_run in anew:
        stated = {path: files[f"data/{path}"] for path in of_run if f"data/{path}" in files}
        report.faults += [f"data/{path}: is missing" for path in sorted(of_run.keys() - stated.keys())]
        for path, table in stated.items():
            # Variances in mm2 are tiny numbers of their own.
            wrong = table_difference(table, of_run[path], least=0.0 if path.startswith("model/") else 1.0)
            if wrong is not None:
                report.faults.append(f"data/{path}: {wrong}")
        found.append(stated)
    return found


def _not_rebuilt(
    files: Mapping[str, bytes],
    claim: ClaimInput,
    tables: Sequence[Files],
    key: PublicKey | None,
    made_with: MadeWith,
) -> list[str]:
    """Files that are not what comes out when the pack is built again from what it holds."""
    if key is None:
        return sorted(files)
    again = build_files(claim, tables, key, made_with)
    odd = sorted((again.keys() ^ files.keys()) - {SIGNATURE})
    odd += [path for path in sorted(again.keys() & files.keys()) if again[path] != files[path]]
    # The manifests only repeat what the other files' differences say.
    return [path for path in odd if path not in (MANIFEST, TAG_MANIFEST)]
