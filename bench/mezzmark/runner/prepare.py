"""Makes and indexes everything that will be measured, each piece in a worker process.

What cannot be made (a frame size the codec does not know, an encoder that fails, a damaged file)
is noted with its reason, and the run goes on with the rest.
"""

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.errors import FootageError, ScenarioError
from mezzmark.model.footage import ClipSpec, FrameIndex
from mezzmark.model.jobs import Job, PreparedMedia
from mezzmark.model.preparations import (
    Answer,
    PlacedFiles,
    PrepareEncodingJob,
    PrepareOriginalJob,
    PrepareOwnJob,
    PreparePicturesJob,
    Shot,
    SortedFiles,
    SortFilesJob,
)
from mezzmark.model.run import ClipManifest, LeftFile, Manifest, MediaManifest
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.spec import MediaReference, PreparedFootage
from mezzmark.runner.at_once import Step, perform_all, refusal_of
from mezzmark.runner.events import LeftOut, Preparing
from mezzmark.runner.footage_files import fault_text, find_files, name_clips, no_footage
from mezzmark.runner.plan import clip_seed
from mezzmark.runner.workers import Dispatch

PREPARE_THREADS = 4
"""Everywhere the same: some encoders give another picture for another number of threads, and runs
of two machines can only be compared on the same files."""

PICTURES_LIMIT_BYTES = 8_000_000_000
"""What all stored pictures of a run may take, in equal parts; beyond that every trial decodes."""

_STORED = "decoded as "
"""Begins the name of a step that stores pictures in a pixel format."""

SILENCE_S = 1_800.0
"""A preparation that says nothing for so long hangs: an encoder may think, but not half an hour."""


@dataclass(slots=True, kw_only=True)
class Footage:
    """What is ready to be measured. `media` holds (clip, encoding) → file and index, `frame_counts`
    each clip's length, common to its encodings. `refused` says what could not be made, `left_out`
    which files of folders are no clips; `pictures` are decoded ones by (clip, pixel format);
    `placed` is by root. `noted` puts another installation that measures into a manifest."""

    encodings: tuple[Encoding, ...]
    clips: list[ClipManifest] = field(default_factory=list)
    shares: dict[str, float | None] = field(default_factory=dict)
    media: dict[tuple[str, str], MediaReference] = field(default_factory=dict)
    media_manifests: list[MediaManifest] = field(default_factory=list)
    frame_counts: dict[str, int] = field(default_factory=dict)
    refused: list[str] = field(default_factory=list)
    left_out: list[LeftFile] = field(default_factory=list)
    pictures: dict[tuple[str, str], str] = field(default_factory=dict)
    placed: dict[str, PlacedFiles] = field(default_factory=dict)
    noted: Callable[[Manifest], Manifest] = field(default=lambda manifest: manifest)

    def prepared(self, root: str | None, *, scratch_dir: str) -> PreparedFootage:
        """What jobs are made of. Those on a root read its copies, of all but the user's own files,
        and make there, in place of `scratch_dir`, a folder of the same name (`worker.py`)."""
        media = dict(self.media)
        if root:
            placed = self.placed[root]
            scratch_dir = str(Path(placed.folder, Path(scratch_dir).name))
            for one in placed.files:
                pair = one.clip, one.encoding
                media[pair] = media[pair].model_copy(update={"media_path": one.path})
        return PreparedFootage(
            clips=[clip.clip for clip in self.clips],
            frame_counts=self.frame_counts,
            media=media,
            encodings=self.encodings,
            key_frames={clip.clip: clip.key_frames for clip in self.clips},
            scratch_dir=scratch_dir,
            pictures=self.pictures,
            own={clip.clip for clip in self.clips if clip.source == "own"},
        )


def prepare_footage(
    scenario: Scenario, *, cache_dir: Path, dispatch: Dispatch, elsewhere: int = 0
) -> Generator[Preparing | LeftOut, None, Footage]:
    """Prepare all clips and encodings, several at a time (so many more as `dispatch` has done
    `elsewhere`); the Footage in the scenario's order. What cannot be made is told at once.
    FootageError when no clip is left, or a path names no file; InterruptedRunError and the
    machine's errors (storage, memory, a killed worker) end it; what was made stays cached."""
    footage = Footage(encodings=resolve_encodings(scenario))
    originals = yield from _list_originals(scenario, cache_dir, dispatch, footage)
    settings = scenario.settings(EncodeSettings)
    frame_count = settings.frames if settings else 0
    whole = (encoding for encoding in footage.encodings if not encoding.is_scaled)
    formats = sorted({e.pixel_format for e in whole}) if frame_count else []
    total = len(originals) * (1 + len(footage.encodings) + len(formats))

    def follow(step: Step, answer: Answer) -> dict[Step, Job]:
        if step[1] != ORIGINAL or not isinstance(answer, PreparedMedia):
            return {}
        given = {"source": answer.media, "cache_dir": str(cache_dir)}
        is_own = isinstance(originals[step[0]], PrepareOwnJob)
        own = {"fingerprint": answer.fingerprint if is_own else ""}
        jobs: dict[Step, Job] = {
            (step[0], encoding.name): PrepareEncodingJob(
                encoding=encoding, thread_count=PREPARE_THREADS, **given, **own
            )
            for encoding in footage.encodings
        }
        for pixel_format in formats:
            limit_bytes = PICTURES_LIMIT_BYTES // (len(originals) * len(formats))
            jobs[step[0], f"{_STORED}{pixel_format}"] = PreparePicturesJob(
                pixel_format=pixel_format, frame_count=frame_count, limit_bytes=limit_bytes, **given
            )
        return jobs

    first: dict[Step, Job] = {(clip, ORIGINAL): job for clip, job in originals.items()}
    answers = yield from perform_all(
        first, follow, lambda job: dispatch(job, SILENCE_S), total, elsewhere
    )
    for clip, job in originals.items():
        _add_results(footage, clip, answers, formats, is_own=isinstance(job, PrepareOwnJob))
    if not footage.clips:
        what = "; ".join(footage.refused)
        remedy = "Give at least one file that `mezzmark inspect` can read."
        raise FootageError(where="no clip can be measured", what=what, remedy=remedy)
    return footage


def _add_results(
    footage: Footage,
    clip: str,
    answers: Mapping[Step, Answer],
    formats: Sequence[str],
    *,
    is_own: bool,
) -> None:
    """Note what came of a clip, in the scenario's order."""
    source = answers[clip, ORIGINAL]
    if not isinstance(source, PreparedMedia):
        footage.refused.append(refusal_of((clip, ORIGINAL), source))
        return
    _add_clip(footage, clip, source, is_own=is_own)
    for encoding in footage.encodings:
        made = answers[clip, encoding.name]
        if isinstance(made, PreparedMedia):
            _add_medium(footage, clip, encoding.name, made)
        else:
            footage.refused.append(refusal_of((clip, encoding.name), made))
    for pixel_format in formats:
        stored = answers[clip, f"{_STORED}{pixel_format}"]
        if isinstance(stored, PreparedMedia):
            footage.pictures[clip, pixel_format] = stored.media.media_path


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
            footage.shares[spec.name] = spec.share
            seed = clip_seed(spec.name, scenario.seed)
            jobs[spec.name] = PrepareOriginalJob(clip=spec, seed=seed, cache_dir=str(cache_dir))
            continue
        shots = yield from _find_shots(spec, dispatch, footage)
        named = name_clips(spec.name, shots)
        for clip, shot in named.items():
            if clip in jobs:
                what = "another clip, of several files, has one of that name"
                remedy = "Name one of the two clips in the scenario otherwise."
                raise ScenarioError(where=f'clip "{clip}"', what=what, remedy=remedy)
            footage.shares[clip] = spec.share and spec.share / len(named)
            path, cache = str(Path(shot.path).absolute()), str(cache_dir)
            excerpt_s = None if spec.excerpt_s == "all" else spec.excerpt_s
            jobs[clip] = PrepareOwnJob(media_path=path, excerpt_s=excerpt_s, cache_dir=cache)
    return jobs


def _find_shots(
    spec: ClipSpec, dispatch: Dispatch, footage: Footage
) -> Generator[Preparing | LeftOut, None, tuple[Shot, ...]]:
    """Files that are all named are clips without a look at them; others are sorted by a worker."""
    files = find_files(spec.files)
    if all(file.is_named for file in files):
        return tuple(Shot(path=file.path) for file in files)
    step = (spec.name, ORIGINAL)
    jobs: dict[Step, Job] = {step: SortFilesJob(files=files)}
    answers = yield from perform_all(
        jobs, lambda *_: {}, lambda job: dispatch(job, SILENCE_S), total=1
    )
    answer = answers[step]
    if not isinstance(answer, SortedFiles):
        footage.refused.append(refusal_of(step, answer))
        return ()
    for fault in answer.left_out:
        footage.left_out.append(LeftFile(name=fault.where, reason=fault.what))
        yield LeftOut(reason=fault_text(fault))
    if not answer.shots:
        what = no_footage(spec.files, answer.left_out).what
        footage.refused.append(f'clip "{spec.name}": {what}')
        yield LeftOut(reason=footage.refused[-1])
    return answer.shots


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
            share=footage.shares.get(clip),
            key_frames=tuple(n for n, is_key in enumerate(index.is_keyframe) if is_key),
            suspicions=index.suspicions or (),
        )
    )


def _add_medium(footage: Footage, clip: str, encoding: str, made: PreparedMedia) -> FrameIndex:
    from mezzmark.engines.media.frame_index import read_frame_index

    index = read_frame_index(made.media.index_path)
    footage.media[clip, encoding] = made.media
    known = footage.frame_counts.get(clip, made.frame_count)
    footage.frame_counts[clip] = min(made.frame_count, known)
    footage.media_manifests.append(
        MediaManifest(
            clip=clip,
            encoding=encoding,
            bitrate_bps=sum(index.packet_bytes) * 8 / made.duration_s,
            **{k: v for k, v in made if k in MediaManifest.model_fields},
        )
    )
    return index


def median_keyframe_interval(is_keyframe: Sequence[bool]) -> float:
    """The median distance between key frames in frames; the clip's length when it has but one."""
    gaps = np.diff(np.flatnonzero(is_keyframe))
    return float(np.median(gaps) if gaps.size else len(is_keyframe))
