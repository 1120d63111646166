"""The printed commands run, and their pictures held against the files that the bench prepares.

`MEZZMARK_FFMPEG=…/ffmpeg python tests/simulation/printed_commands.py [NAME…]` makes clips of
natural content, and a row for every encoding, or these, and each clip that it can hold.
"""

import math
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import av
import numpy as np

from fixtures.encoded_pictures import decode_all
from fixtures.ffmpeg_program import find_program, make_clip, run_script
from fixtures.scrubbed import indexed
from mezzmark.engines.encode.encoded_file import prepare_encoding
from mezzmark.engines.media.pixels import planes_of
from mezzmark.engines.media.probe import probe_media
from mezzmark.model.catalogue.core import catalogue_names, find_encoding
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import EncodingError
from mezzmark.model.making import making_of
from mezzmark.model.preparations import PrepareEncodingJob
from mezzmark.report.prose.making import scripts_of

_HD = "setparams=color_primaries=bt709:color_trc=bt709:colorspace=bt709"
_PQ = "setparams=color_primaries=bt2020:color_trc=smpte2084:colorspace=bt2020nc"
_AVC = ("-c:v", "libx264", "-pix_fmt", "yuv420p")
CLIPS = {
    "8 bits": ((1920, 1080), _HD, _AVC),
    "10 bits, PQ": ((1280, 720), _PQ, ("-c:v", "prores_ks")),
    "untagged, SD": ((704, 576), "null", _AVC),
    "interlaced": ((1920, 1080), f"{_HD}:field_mode=tff", (*_AVC, "-flags", "+ildct")),
    "full range": ((1920, 1080), _HD, ("-c:v", "libx264", "-pix_fmt", "yuvj420p")),
}
"""Title → size, filter that says what pictures are, encoder's options."""


class Compared(NamedTuple):
    """The command's file beside the bench's: pictures of both, PSNR of the least like plane
    (infinite: all the same), whether tags, fields and sample aspect are; what else the file has."""

    picture_counts: tuple[int, int]
    psnr_db: float
    has_same_facts: bool
    sound_tracks: int
    timecode: str
    reel: str


def compare(encoding: Encoding, clip: Path, folder: Path) -> Compared:
    """Prepare the clip by the bench, make it by the printed script, decode both. Raises what the
    bench raises where it cannot hold the clip, RuntimeError where the script makes nothing."""
    job = PrepareEncodingJob(
        source=indexed(clip, folder, is_stamped=False),
        encoding=encoding,
        thread_count=1,
        cache_dir=str(folder / "cache"),
    )
    prepared = Path(prepare_encoding(job, lambda _message, _done: None).media.media_path)
    making = making_of(encoding, probe_media(clip))
    assert making is not None
    done = run_script(scripts_of(making, str(clip), "made")["POSIX shell"], folder)
    made = folder / "made" / f"{clip.name}{making.suffix}"
    if not made.exists():
        raise RuntimeError(done.stderr[-400:])
    ours, theirs = decode_all(prepared), decode_all(made)
    with av.open(str(made)) as container:
        sound_tracks = len(container.streams.audio)
        told = [container.metadata, *(stream.metadata for stream in container.streams)]
    stated = [{key.lower(): text for key, text in data.items()} for data in told]
    return Compared(
        picture_counts=(len(ours), len(theirs)),
        psnr_db=min(map(_psnr_db, ours, theirs)),
        has_same_facts=_facts(prepared) == _facts(made),
        sound_tracks=sound_tracks,
        timecode=next((data["timecode"] for data in stated if "timecode" in data), ""),
        reel=next((data["reel_name"] for data in stated if "reel_name" in data), ""),
    )


def _facts(path: Path) -> tuple[object, ...]:
    facts = probe_media(path)
    return facts.tags, facts.field_order, facts.sample_aspect


def _psnr_db(ours: av.VideoFrame, theirs: av.VideoFrame) -> float:
    """Of the least like plane."""
    most = 2 ** ours.format.components[0].bits - 1
    pairs = zip(planes_of(ours), planes_of(theirs), strict=True)
    errors = [np.mean((one.astype(float) - other) ** 2) for one, other in pairs]
    return 10 * math.log10(most**2 / max(errors)) if max(errors) else math.inf


def main(names: Iterable[str]) -> None:
    """Print a row for each encoding and clip."""
    print(
        f"{find_program()}\nencoding | clip | pictures | PSNR dB | tags | sound | timecode | reel"
    )
    with tempfile.TemporaryDirectory() as name:
        for title, (size, facts, video) in CLIPS.items():
            clip = make_clip(Path(name) / f"{title}.mov", *video, size=size, facts=facts)
            for encoding in map(find_encoding, names):
                with tempfile.TemporaryDirectory() as folder:
                    try:
                        row = compare(encoding, clip, Path(folder))
                    except EncodingError:
                        continue
                    except RuntimeError as error:
                        print(f"{encoding.name} | {title} | not made: {error}", flush=True)
                        continue
                    print(encoding.name, title, *row, sep=" | ", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:] or catalogue_names())
