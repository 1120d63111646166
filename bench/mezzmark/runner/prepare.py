"""Makes and indexes everything that will be measured, each piece in a worker process.

What cannot be made (a frame size the codec does not know, an encoder that fails, a damaged file)
is noted with its reason, and the run goes on with the rest.
"""

from collections.abc import Generator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.errors import FootageError, InterruptedRunError
from mezzmark.model.footage import ClipSpec, FrameIndex
from mezzmark.model.jobs import (
    Answer,
    Job,
    JobFailed,
    PreparedMedia,
    PrepareEncodingJob,
    PrepareOriginalJob,
    PrepareOwnJob,
    ProgressUpdate,
    Shot,
    SortedFiles,
    SortFilesJob,
    WorkerFailed,
)
from mezzmark.model.run import ClipManifest, LeftFile, MediaManifest
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.spec import MediaReference, PreparedFootage
from mezzmark.runner.events import LeftOut, Preparing
from mezzmark.runner.footage_files import fault_text, find_files, name_clips, no_footage
from mezzmark.runner.plan import clip_seed
from mezzmark.runner.workers import NO_ANSWER, Dispatch, raise_machine_fault

PREPARE_THREADS = 4
"""The same on every machine: some encoders give another picture for another number of threads, and
runs of two machines can only be compared on the same files."""

SILENCE_S = 1_800.0
"""A preparation that says nothing for so long hangs: an encoder may think, but not half an hour."""


@dataclass(slots=True, kw_only=True)
class Footage:
    """What is ready to be measured; filled while it is prepared.

    `media` holds (clip, encoding) → file and index, `frame_counts` the length of each clip in
    frames, common to all its encodings. `refused` says in words what could not be made,
    `left_out` which files of folders are no clips of their own.
    """

    encodings: tuple[Encoding, ...]
    clips: list[ClipManifest] = field(default_factory=list)
    media: dict[tuple[str, str], MediaReference] = field(default_factory=dict)
    media_manifests: list[MediaManifest] = field(default_factory=list)
    frame_counts: dict[str, int] = field(default_factory=dict)
    refused: list[str] = field(default_factory=list)
    left_out: list[LeftFile] = field(default_factory=list)

    @property
    def prepared(self) -> PreparedFootage:
        """What jobs are made of."""
        return PreparedFootage(
            clips=[clip.clip for clip in self.clips],
            frame_counts=self.frame_counts,
            media=self.media,
            encodings=self.encodings,
            key_frames={clip.clip: clip.key_frames for clip in self.clips},
        )


def prepare_footage(
    scenario: Scenario, *, cache_dir: Path, dispatch: Dispatch
) -> Generator[Preparing | LeftOut, None, Footage]:
    """Prepare all clips and encodings of a scenario, in its order; returns the Footage. What cannot
    be made is told as soon as it is known.

    FootageError when no clip is left, or a path names no file; InterruptedRunError, and an error of
    the machine (storage, memory, a killed worker), end the preparation, and the cache keeps what
    was made.
    """
    footage = Footage(encodings=resolve_encodings(scenario))
    jobs = yield from _list_originals(scenario, cache_dir, dispatch, footage)
    per_clip = 1 + len(footage.encodings)
    total = len(jobs) * per_clip
    for number, (clip, original) in enumerate(jobs.items()):
        done = number * per_clip
        source = yield from _ask(original, clip, dispatch, done, total)
        if not isinstance(source, PreparedMedia):
            yield _leave_out(footage, _refusal(source, f'clip "{clip}"'))
            continue
        _add_clip(footage, clip, source, is_own=isinstance(original, PrepareOwnJob))
        for place, encoding in enumerate(footage.encodings, start=1):
            job = PrepareEncodingJob(
                source=source.media,
                encoding=encoding,
                thread_count=PREPARE_THREADS,
                cache_dir=str(cache_dir),
            )
            name = f"{clip} → {encoding.name}"
            made = yield from _ask(job, name, dispatch, done + place, total)
            if isinstance(made, PreparedMedia):
                _add_medium(footage, clip, encoding.name, made)
            else:
                refusal = _refusal(made, f'encoding "{encoding.name}"')
                yield _leave_out(footage, f'clip "{clip}", {refusal}')
    if not footage.clips:
        raise FootageError(
            where="footage",
            what=f"no clip can be measured ({'; '.join(footage.refused)})",
            remedy="Give at least one file that `mezzmark inspect` can read.",
        )
    return footage


def _leave_out(footage: Footage, reason: str) -> LeftOut:
    footage.refused.append(reason)
    return LeftOut(reason=reason)


def resolve_encodings(scenario: Scenario) -> tuple[Encoding, ...]:
    """The scenario's encodings besides `original`, in its order, custom ones last."""
    from mezzmark.model.catalogue.core import find_encoding, resolve_custom

    listed = map(find_encoding, scenario.encodings)
    customs = map(resolve_custom, scenario.custom_encodings)
    return (*(encoding for encoding in listed if not encoding.is_original), *customs)


def _list_originals(
    scenario: Scenario, cache_dir: Path, dispatch: Dispatch, footage: Footage
) -> Generator[Preparing | LeftOut, None, dict[str, PrepareOriginalJob | PrepareOwnJob]]:
    """Clip name → how its original is made or found, one clip a shot."""
    jobs: dict[str, PrepareOriginalJob | PrepareOwnJob] = {}
    for spec in scenario.clips:
        if spec.recipe is not None:
            jobs[spec.name] = PrepareOriginalJob(
                clip=spec, seed=clip_seed(spec.name, scenario.seed), cache_dir=str(cache_dir)
            )
            continue
        shots = yield from _find_shots(spec, dispatch, footage)
        for clip, shot in name_clips(spec.name, shots).items():
            jobs[clip] = PrepareOwnJob(
                media_path=str(Path(shot.path).absolute()),
                excerpt_s=spec.excerpt_s,
                cache_dir=str(cache_dir),
            )
    return jobs


def _find_shots(
    spec: ClipSpec, dispatch: Dispatch, footage: Footage
) -> Generator[Preparing | LeftOut, None, tuple[Shot, ...]]:
    """Files that are all named are clips without a look at them; others are sorted by a worker."""
    files = find_files(spec.files)
    if all(file.is_named for file in files):
        return tuple(Shot(path=file.path) for file in files)
    answer = yield from _ask(SortFilesJob(files=files), spec.name, dispatch, 0, 1)
    if not isinstance(answer, SortedFiles):
        yield _leave_out(footage, _refusal(answer, f'clip "{spec.name}"'))
        return ()
    for fault in answer.left_out:
        footage.left_out.append(LeftFile(name=fault.where, reason=fault.what))
        yield LeftOut(reason=fault_text(fault))
    if not answer.shots:
        what = no_footage(spec.files, answer.left_out).what
        yield _leave_out(footage, f'clip "{spec.name}": {what}')
    return answer.shots


def _ask(
    job: Job, name: str, dispatch: Dispatch, done: int, total: int
) -> Generator[Preparing, None, Answer]:
    """The result of a preparation; its progress goes to whoever listens."""
    yield Preparing(message=name, done=done, total=total)
    answer: Answer = NO_ANSWER
    for answer in dispatch(job, SILENCE_S):
        if isinstance(answer, ProgressUpdate):
            yield Preparing(**answer.model_dump(exclude={"kind"}), done=done, total=total)
    raise_machine_fault(answer, name)
    if isinstance(answer, WorkerFailed) and answer.outcome == "cancelled":
        raise InterruptedRunError(
            where="preparing footage",
            what="stopped before measuring began; what was made is kept in the cache",
            remedy="The same command with --resume and the same --out resumes from there.",
        )
    return answer


def _refusal(answer: Answer, subject: str) -> str:
    """Why the subject cannot be made, in words that begin with it."""
    match answer:
        case JobFailed(where=where, what=what, remedy=remedy):
            place = "" if where == subject else f"{where}: "
            return f"{subject}: {place}{what}. {remedy}"
        case WorkerFailed(outcome=outcome, reason=reason):
            return f"{subject}: the worker {outcome.replace('_', ' ')} ({reason})"
        case _:
            return f"{subject}: the worker answered with {answer.kind}"


def _add_clip(footage: Footage, clip: str, source: PreparedMedia, *, is_own: bool) -> None:
    from mezzmark.engines.media.probe import probe_media

    index = _add_medium(footage, clip, ORIGINAL, source)
    facts = probe_media(source.media.media_path)
    footage.clips.append(
        ClipManifest(
            clip=clip,
            source="own" if is_own else "recipe",
            # The name only: a published run need not tell its reader about folders.
            original=facts.model_copy(update={"path": Path(facts.path).name}),
            fingerprint=source.fingerprint,
            frame_count=source.frame_count,
            duration_s=source.duration_s,
            keyframe_interval_median=median_keyframe_interval(index.is_keyframe),
            key_frames=tuple(n for n, is_key in enumerate(index.is_keyframe) if is_key),
        )
    )


def _add_medium(footage: Footage, clip: str, encoding: str, made: PreparedMedia) -> FrameIndex:
    from mezzmark.engines.media.frame_index import read_frame_index

    index = read_frame_index(made.media.index_path)
    footage.media[clip, encoding] = made.media
    footage.frame_counts[clip] = min(
        made.frame_count, footage.frame_counts.get(clip, made.frame_count)
    )
    footage.media_manifests.append(
        MediaManifest(
            clip=clip,
            encoding=encoding,
            file_bytes=made.file_bytes,
            fingerprint=made.fingerprint,
            frame_count=made.frame_count,
            bitrate_bps=sum(index.packet_bytes) * 8 / made.duration_s if made.duration_s else 0.0,
        )
    )
    return index


def median_keyframe_interval(is_keyframe: Sequence[bool]) -> float:
    """The median distance between key frames in frames; the clip's length when it has but one."""
    gaps = np.diff(np.flatnonzero(is_keyframe))
    return float(np.median(gaps) if gaps.size else len(is_keyframe))
