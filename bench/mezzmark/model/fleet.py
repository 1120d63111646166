"""What home asks of a host of the fleet, and what a host answers: JSON text both ways."""

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from mezzmark.model.fact import Fact, Whole
from mezzmark.model.jobs import JobFailed
from mezzmark.model.preparations import Answer
from mezzmark.model.records import HostMoment
from mezzmark.model.run import HostFacts

RESOURCE = "mezzmark"  # What a worker offers one of, and every request takes: one at a time
LONGEST_NAME = 100  # Characters of a worker's name; longer ones are refused


class Describe(Fact):
    """Say what the machine is; its label is `name` unless it has one of its own. With
    `is_probed` also what it encodes and decodes in hardware."""

    kind: Literal["describe"] = "describe"
    name: str
    is_probed: bool = False


class WantedFile(Fact):
    """A file of home's, known by its SHA-256; `suffix` is the end of its name."""

    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    file_bytes: Whole
    suffix: str = Field(pattern=r"^(\.[0-9A-Za-z]{1,10})?$")


class Fetch(Fact):
    """Have these files there: what is missing comes from `source` (host:port), below `path`."""

    kind: Literal["fetch"] = "fetch"
    source: str
    path: str
    files: tuple[WantedFile, ...]


class DoJob(Fact):
    """Do a worker's job, which travels as its JSON line; in `own_folders` of its fields the host
    puts folders of its own, as it does where a root lies. Where it `is_shared` others of the trial
    may run there, too. What it prepares is sent `to` home (host:port/path), if given."""

    kind: Literal["do"] = "do"
    job: str
    timeout_s: float = Field(gt=0)
    own_folders: tuple[Literal["scratch_dir", "cache_dir"], ...] = ()
    is_shared: bool = False
    to: str = ""


class Request(Fact):
    """What is asked in an attempt, which no other one is called."""

    attempt: str
    asked: Annotated[Describe | Fetch | DoJob, Field(discriminator="kind")]


class HostSummary(Fact):
    """A machine of the fleet. `job_format` is that of `preparations.job_format`. If it was probed:
    encodings, each with why it cannot be made or an empty text, and what it decoded in hardware."""

    kind: Literal["host"] = "host"
    mezzmark_version: str
    job_format: str
    host: HostFacts
    encodings: dict[str, str] = {}
    hardware: tuple[str, ...] = ()


class Fetched(Fact):
    """SHA-256 → the file's path on the machine."""

    kind: Literal["fetched"] = "fetched"
    paths: dict[str, str]


class Performed(Fact):
    """What came of a job, when it ran, how long it took as its parent saw it, and what its machine
    did before and meanwhile; `judged_by` as in `Trial`."""

    kind: Literal["performed"] = "performed"
    answer: Answer
    started_utc: str
    wall_ns: Whole
    host_before: HostMoment
    host_during: HostMoment
    judged_by: str = ""


class Reply(Fact):
    """What came of an attempt."""

    attempt: str
    found: Annotated[HostSummary | Fetched | Performed | JobFailed, Field(discriminator="kind")]


REPLY: TypeAdapter[Reply] = TypeAdapter(Reply)
