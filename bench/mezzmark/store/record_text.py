"""The text of a trial or a manifest, read: whole, torn, damaged or of a later mezzmark."""

from codecs import getincrementaldecoder
from typing import Any

from pydantic import ValidationError
from pydantic_core import from_json

from mezzmark.model.cell import ARMS
from mezzmark.model.errors import RunError
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.problems import dotted, path_in
from mezzmark.model.records import FLAGS, RECORD_SCHEMA, Trial
from mezzmark.model.run import MANIFEST_SCHEMA, Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.upgrade import unknown_parts, upgrade_manifest, upgrade_trial

MAX_RECORD_BYTES = 128 * 2**20
"""Of a trial or a manifest: the largest that is written, 10,000 frames judged in 50 generations,
has about 90 MB; a larger one is no trial, and reading it would take the machine's memory."""


def parse_trial(line: bytes, *, where: str) -> Trial | str | None:
    """The trial in a line; None when the line is torn, not JSON at all; of one that only a later
    mezzmark can read, what is not known here. RunError, naming `where`, for any other line."""
    try:
        # As this mezzmark writes it: one pass, without a dictionary on the way.
        trial = Trial.model_validate_json(line) if line.startswith(_OWN_BEGINNING) else None
    except ValidationError:
        trial = None  # told below, as of any other line
    # Axes that are not known here the model of a cell has judged.
    is_known = trial and trial.cell.task in TASKS and trial.arm in ARMS
    if trial is None or not (is_known and FLAGS.issuperset(trial.flags)):
        found = _parse(line, newest=RECORD_SCHEMA, where=where)
        if found is None:
            return None
        try:
            upgraded = upgrade_trial(found)
            if unknown := unknown_parts(upgraded):
                return unknown
            trial = Trial.model_validate(upgraded)
        except _NOT_AS_STATED as error:
            raise _damaged_by(where, error, found) from None
    measured: Any = trial.measurement
    if measured is not None and measured.task != trial.cell.task:
        of_another = f"it is of the task {measured.task}, and the cell of {trial.cell.task}"
        raise damaged(where, "measurement", of_another)
    busy_ns = TASKS[measured.task].busy_ns(measured) if measured is not None else 0
    if busy_ns > trial.wall_ns:
        took = f"{busy_ns / NS_PER_S:g} s of work in a trial of {trial.wall_ns / NS_PER_S:g} s"
        raise damaged(where, "wall_ns", took)
    return trial


def parse_manifest(text: bytes, *, where: str) -> Manifest:
    """The manifest that a text is; RunError, naming `where`, when it is none that can be read."""
    refuse_large(text, where=where)
    found = _parse(text, newest=MANIFEST_SCHEMA, where=where)
    if found is None:
        raise damaged(where, "text", "it ends too early")
    try:
        return Manifest.model_validate(upgrade_manifest(found))
    except _NOT_AS_STATED as error:
        raise _damaged_by(where, error, found) from None


def _is_beginning(text: bytes) -> bool:
    """Whether it is the beginning of JSON; after a power cut zeros may follow."""
    try:
        decoded = getincrementaldecoder("utf-8")().decode(text.rstrip(b"\0\n"))
        from_json(decoded or "{", allow_partial="trailing-strings")
    except ValueError:
        return False
    return True


_OWN_BEGINNING = f'{{"schema_version":{RECORD_SCHEMA},'.encode()

_NOT_AS_STATED = (KeyError, TypeError, AttributeError, ValueError)
"""What reading an edited file can stumble on: a part that is missing, of another kind or wrong."""


def _parse(text: bytes, *, newest: int, where: str) -> Any:
    """The JSON of a text, None where it is only the beginning of one, as a killed process leaves
    it; RunError where it is none at all or a newer mezzmark wrote it."""
    try:
        found = from_json(text)
    except ValueError as error:
        if _is_beginning(text):
            return None
        raise damaged(where, "text", f"it is not JSON: {error}") from None
    version = found.get("schema_version") if isinstance(found, dict) else None
    if isinstance(version, int) and version > newest:
        what = f"written in format {version}; this mezzmark reads up to format {newest}"
        remedy = "Read it with the mezzmark that wrote it, or a later one."
        raise RunError(where=where, what=what, remedy=remedy)
    return found


def refuse_large(text: bytes, *, where: str) -> None:
    """RunError for what is no record by its size."""
    if len(text) > MAX_RECORD_BYTES:
        limit = f"over {MAX_RECORD_BYTES // 2**20} MiB, the limit of one record"
        raise damaged(where, "text", limit)


def _damaged_by(where: str, error: Exception, found: Any) -> RunError:
    if not isinstance(error, ValidationError):
        return damaged(where, "text", f"{type(error).__name__}: {error}")
    first = error.errors()[0]
    return damaged(where, dotted(path_in(found, first["loc"])) or "text", first["msg"])


def damaged(where: str, key: str, problem: str) -> RunError:
    """The error for a record of which `key` cannot be what mezzmark wrote."""
    remedy = "Restore it from a copy; the format is described in results/README.md."
    return RunError(where=where, what=f"is damaged or was edited ({key}: {problem})", remedy=remedy)
