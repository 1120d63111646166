"""What runs on a host, inside its Dask worker: one request in, one reply out, both JSON text.

Nothing is ever raised and no object returned: home would have to load its pickle. A request ends
when its task is no longer wanted, whatever the reason: Ctrl-C at home, or a client, a scheduler or
a network that went away.
"""

import os
import ssl
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from distributed import get_worker

from mezzmark import own_files
from mezzmark.engines.encode.encoders import probe_encoding
from mezzmark.engines.media.cache import default_cache_dir
from mezzmark.fleet.files import pull, push
from mezzmark.fleet.machine_lock import machine_lock
from mezzmark.host.common import LABEL_VARIABLE, Clock, read_host_facts
from mezzmark.model.catalogue.core import catalogue_names, find_encoding
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import InterruptedRunError, MezzmarkError, reason_of
from mezzmark.model.fleet import (
    Describe,
    DoJob,
    Fetch,
    Fetched,
    HostSummary,
    Performed,
    Reply,
    Request,
)
from mezzmark.model.jobs import JobFailed, PreparedMedia, read_job
from mezzmark.model.preparations import PlaceFilesJob
from mezzmark.runner.in_turn import ask_environment
from mezzmark.runner.run import perform_job
from mezzmark.runner.self_test import probe_hardware
from mezzmark.runner.workers import Dispatch, run_worker
from mezzmark.store.run_store import scratch_folder

FOLDER = "fleet"  # in the machine's cache: files that were fetched, and scratch folders

ROOTS_VARIABLE = "MEZZMARK_ROOTS"
"""Where the machine has a scenario's roots: NAME=FOLDER, several apart as in PATH. One that is not
named lies where the scenario says."""

Wish = Callable[[], bool]


def perform(text: str) -> str:
    """The `Reply` to a `Request`; never raises."""
    attempt = ""
    try:
        request = Request.model_validate_json(text)
        attempt = request.attempt
        found = _answer(request)
        return Reply(attempt=attempt, found=found).model_dump_json()
    except BaseException as error:  # an exception would be loaded at home
        if not isinstance(error, MezzmarkError):
            what = f"{type(error).__name__}: {reason_of(error)}"
            remedy = "See what the worker printed there."
            error = MezzmarkError(where="its worker", what=what, remedy=remedy)
        return Reply(attempt=attempt, found=JobFailed.by(error)).model_dump_json()


def _answer(request: Request) -> HostSummary | Fetched | Performed:
    is_wanted, folder = _own_wish(), default_cache_dir() / FOLDER
    is_shared = isinstance(request.asked, DoJob) and request.asked.is_shared
    with machine_lock(is_wanted, is_shared=is_shared) as held:
        if held is None:
            raise InterruptedRunError(where="its worker", what="no longer wanted", remedy="None.")
        dispatch = partial(run_worker, held=held, is_cancelled=lambda: not is_wanted())
        match request.asked:
            case Describe() as asked:
                return _describe(asked, folder, dispatch)
            case Fetch() as asked:
                with own_files.translate_os_errors(folder, remedy="Mend the storage there."):
                    return _fetch(asked, folder, is_wanted)
            case DoJob() as asked:
                return _do(asked, folder, is_wanted, dispatch)


def _own_wish() -> Wish:
    """Whether the scheduler still wants the task of this thread: Dask ends none by itself."""
    worker = get_worker()
    key = worker.get_current_task()

    def is_wanted() -> bool:
        task = worker.state.tasks.get(key)
        is_executing = task is not None and task.state == "executing"
        return is_executing and worker.status.name == "running"

    return is_wanted


def _describe(asked: Describe, folder: Path, dispatch: Dispatch) -> HostSummary:
    """The versions are those that a new process finds: the worker may be older than they."""
    here = ask_environment(Path(sys.executable))
    host = read_host_facts(folder, library_versions=here.library_versions)
    label = os.environ.get(LABEL_VARIABLE) or asked.name
    tried = catalogue_names() if asked.is_probed else ()
    faults = {name: probe_encoding(find_encoding(name)) for name in tried if name != ORIGINAL}
    found = probe_hardware(cache_dir=default_cache_dir(), dispatch=dispatch) if tried else ()
    decoded = [f"{one.device} {one.media.codec}" for one in found if one.outcome == "right"]
    return HostSummary(
        mezzmark_version=here.mezzmark,
        job_format=here.job_format,
        host=host.model_copy(update={"host_label": label, "python": here.python}),
        encodings={name: fault.words if fault else "" for name, fault in faults.items()},
        hardware=tuple(dict.fromkeys(decoded)),
    )


def _fetch(asked: Fetch, folder: Path, is_wanted: Wish) -> Fetched:
    given: dict[str, Any] = {"source": asked.source, "path": asked.path}
    given |= {"context": _own_context(), "is_wanted": is_wanted}
    return Fetched(paths=pull(asked.files, folder, **given))


def _own_context() -> ssl.SSLContext | None:
    """With which the worker shows home its certificate; None on a closed network."""
    told = get_worker().security.get_connection_args("worker")
    context: ssl.SSLContext | None = told["ssl_context"]
    return context


def own_roots() -> dict[str, str]:
    """Root's name → folder, as far as this machine has its own."""
    named = (pair.partition("=") for pair in os.environ.get(ROOTS_VARIABLE, "").split(os.pathsep))
    return {name: folder for name, _, folder in named if name and folder}


def own_certificates() -> tuple[str, ...]:
    """The worker's files of authority, certificate and key; empty on a closed network."""
    names = ("tls_ca_file", "tls_worker_cert", "tls_worker_key")
    files = [getattr(get_worker().security, name) for name in names]
    return tuple(files) if all(files) else ()


def _do(asked: DoJob, folder: Path, is_wanted: Wish, dispatch: Dispatch) -> Performed:
    """A job names folders of home's; here it gets folders of this machine."""
    job = read_job(asked.job.encode())
    folder.mkdir(parents=True, exist_ok=True)
    own_files.clear_marked(folder, own_files.SCRATCH_PREFIX)  # of a killed worker
    with scratch_folder(folder) as scratch:
        places = {"scratch_dir": str(scratch), "cache_dir": str(default_cache_dir())}
        own: dict[str, Any] = {name: places[name] for name in asked.own_folders}
        if isinstance(job, PlaceFilesJob):
            path = own_roots().get(job.root.name, job.root.path)
            own["root"] = job.root.model_copy(update={"path": path})
        if gate := getattr(job, "gate", None):
            own["gate"] = gate.model_copy(update={"tls": own_certificates()})
        job = job.model_copy(update=own)
        done = perform_job(job, asked.timeout_s, dispatch=dispatch, clock=Clock())
    if asked.to and isinstance(done.answer, PreparedMedia):
        made = Path(done.answer.media.media_path)
        push(made, asked.to, context=_own_context(), is_wanted=is_wanted)
    return done
