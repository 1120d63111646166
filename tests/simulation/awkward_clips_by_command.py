"""Awkward clips made by the printed folder scripts; `survives` held against what `ffprobe` finds.

With MEZZMARK_FFMPEG and MEZZMARK_FFPROBE set, run it by its path; `-v` tells every cell. The
scripts run twice, and the check line before and after one bit is flipped.
"""

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from fixtures.ffmpeg_program import find_program, run_script
from fixtures.natural_clips import natural_clip
from mezzmark.engines.encode.encoded_file import prepare_encoding
from mezzmark.engines.media.frame_index import build_frame_index, write_frame_index
from mezzmark.engines.media.probe import probe_media
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import EncodingError
from mezzmark.model.making import Making, making_of
from mezzmark.model.preparations import PrepareEncodingJob
from mezzmark.model.survival import Survival, state_by_command
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.report.prose.making import scripts_of

ENCODINGS = {"rdd36-standard": "mov", "hevc-long": "mp4", "ffv1": "mkv", "vc3-hq": "mxf"}
_MUTE = "-c:v libx264 -preset ultrafast -pix_fmt yuv420p"
_AVC, _AAC = f"{_MUTE} -map 1:a", f"{_MUTE} -map 1:a -c:a aac"
_HEVC = "-map 1:a -c:v libx265 -preset ultrafast -pix_fmt yuv420p10le -tag:v hvc1 -x265-params "
_MASTER = "G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(10000000,1):max-cll=1000,400"
_HD = "setparams=color_primaries=bt709:color_trc=bt709:colorspace=bt709"
_WIDE = "setparams=color_primaries=bt2020:colorspace=bt2020nc:color_trc"
_COLOURS = ("primaries", "transfer", "space")
_FIELDS = "setpts=N/50/TB,interlace=lowpass=0:scan"
_MPEG2 = "-c:v mpeg2video -q:v 3 -flags +ildct+ilme -map 1:a"
_REELS = ("-metadata:s:v:0 reel_name=A001", "-metadata reel_name=B2 -metadata title=a")
_ALPHA = "-c:v prores_ks -profile:v 4444 -alpha_bits 16 -map 1:a -metadata comment=alpha"
CLIPS: dict[str, tuple[int, str, str]] = {
    "29.97 drop.mov": (30, _HD, f"{_AVC} -timecode 00:59:59;20"),
    "59.94 drop.mov": (60, _HD, f"{_AVC} -timecode 10:09:59;40"),
    "59.94.mov": (60, _HD, f"{_AVC} -timecode 10:09:59:40"),
    "23.976.mov": (24, f"{_HD},setsar=4/3", f"{_AVC} -timecode 23:59:59:12"),
    "variable.mov": (25, f"{_HD},settb=1/600,setpts=N*24+8*mod(N\\,3)", _AVC),
    "a quarter turn.mp4": (30, _HD, f"{_AAC} turn=90"),
    "UPSIDE DOWN.MOV": (25, _HD, f"{_AVC} turn=180"),
    "four tracks.mov": (25, _HD, f"{_AVC} -map 1:a -map 1:a -map 1:a -ac 1"),
    "five one.mov": (25, _HD, f"{_MUTE} -map 0:a"),
    "44100.mov": (25, _HD, f"{_AVC} -ac 1 -ar 44100 -metadata title=mono"),
    "short.mov": (25, _HD, f"{_AVC} -af atrim=end=0.9"),
    "long.mkv": (25, _HD, f"{_AVC} -af apad=whole_dur=2.1 {_REELS[1]} -metadata scene=12"),
    "silent.mp4": (25, _HD, _MUTE),
    "hlg.mov": (25, f"{_WIDE}=arib-std-b67", f"{_HEVC}log-level=1"),
    "pq.mp4": (24, f"{_WIDE}=smpte2084", f"{_HEVC}hdr10=1:master-display={_MASTER} -c:a aac"),
    "top first.mov": (25, f"{_FIELDS}=tff,{_HD}", f"{_AVC} -flags +ildct"),
    "bottom first.mov": (25, f"scale=720:576,{_FIELDS}=bff,setsar=64/45", _MPEG2),
    "reel & 'its' \"name\" $HOME `id`.mov": (25, _HD, f"{_AVC} -timecode 1:2:3:4 {_REELS[0]}"),
    "-y ünï片☂*?[a].mov": (25, "format=yuva444p10le,colorchannelmixer=aa=0.5", _ALPHA),
    "new\nline\\back.mov": (25, _HD, f"{_AVC} -timecode 10:00:00:00"),
}
"""Name → pictures a second (all but 25 times 1000/1001), their filters, the options of writing."""


def make_clips(folder: Path) -> None:
    """Natural pictures of 640×360, 1.2 seconds long; sound is a tone, or the pictures' own."""
    quiet = (find_program(), "-v", "error", "-nostdin")
    for name, (count, facts, told) in CLIPS.items():
        options, _, turn = told.partition(" turn=")
        rate = "25" if count == 25 else f"{count}000/1001"
        uneven = ("-fps_mode", "passthrough", "-video_track_timescale", "600")
        command = (
            *(*quiet, "-ss", "1", "-t", "3.5", "-i", str(natural_clip("bigbuckbunny.mp4"))),
            *("-f", "lavfi", "-i", "sine=f=440:r=48000:d=1.2", "-map", "0:v:0", "-c:a"),
            *("pcm_s24le", "-vf", f"scale=640:360,setpts=N/({rate})/TB,{facts}", "-frames:v"),
            *(str(count * 6 // 5), *(uneven if "settb" in facts else ("-r", rate))),
        )
        plain = folder.parent / f"plain{name[-4:]}"
        subprocess.run((*command, *options.split(), "-y", f"file:{plain}"), check=True)
        head = (*quiet, *(("-display_rotation", turn) if turn else ()), "-i", f"file:{plain}")
        copied = (*head, "-map", "0:v", "-map", "0:a?", "-c", "copy", f"file:{folder / name}")
        subprocess.run(copied, check=True) if turn else plain.rename(folder / name)


def probe(path: Path) -> dict[str, str | None]:
    """A file by the things of `model.survival`, and others, as `ffprobe` tells them; layouts as
    FFmpeg's program does, unless it guesses: `ffprobe` 6 cannot read those of MP4."""
    asked = ("-v", "error", "-of", "json", "-show_format", "-show_streams", "-show_frames")
    program = os.environ.get("MEZZMARK_FFPROBE") or "ffprobe"
    told: dict[str, Any] = json.loads(subprocess.check_output([program, *asked, f"file:{path}"]))
    heard = [find_program(), "-nostdin", "-guess_layout_max", "0", "-i", f"file:{path}"]
    notes = subprocess.run(heard, capture_output=True, text=True, check=False).stderr
    video = next(s for s in told["streams"] if s["codec_type"] == "video")
    sound = {s["index"]: s for s in told["streams"] if s["codec_type"] == "audio"}
    frames: dict[int, list[Any]] = {s["index"]: [] for s in told["streams"]}
    for frame in told["frames"]:
        frames[frame["stream_index"]].append(frame)
    pictures = frames[video["index"]]
    times = [Fraction(f["pts_time"]) for f in pictures]
    steps, span_s = [b - a for a, b in pairwise(times)], times[-1] - times[0]
    parts = [p.get("tags", {}) for p in (told["format"], *told["streams"])]
    tags = {key.lower(): text for part in reversed(parts) for key, text in part.items()}
    side = [s for of in (video, pictures[0]) for s in of.get("side_data_list", ())]
    turn = next((s["rotation"] for s in side if "rotation" in s), 0)
    hdr = {k: _number(s[k]) for s in side for k in s if re.search("nance|max_[ac]|_[xy]$", k)}
    starts = [Fraction(frames[n][0]["pts_time"]) - times[0] for n in sound]
    counts = {n: sum(f["nb_samples"] for f in frames[n]) for n in sound}
    lengths = [count / int(sound[n]["sample_rate"]) for n, count in counts.items()]
    colours = [video.get(f"color_{name}", "") for name in _COLOURS]
    layouts = re.findall(r"Audio: .*? Hz, ([^,]+)", notes)
    aspect = video.get("sample_aspect_ratio", "1:1")
    found = {
        "sound": " + ".join(f"{s['channels']} at {s['sample_rate']}" for s in sound.values()),
        "layout": " ".join(layouts).replace("1 channels", "mono") if sound else "",
        "sync": " ".join(f"{1000 * float(start):.0f} ms" for start in starts),
        "timecode": tags.get("timecode"),
        "reel": tags.get("reel_name"),
        "tags": " ".join(tags[k] for k in ("title", "comment", "scene") if k in tags),
        "sample_aspect": aspect.replace("1:1", "").replace("0:1", ""),
        "rotation": f"{turn % 360}" if turn else "",
        "hdr": " ".join(f"{key} {hdr[key]}" for key in sorted(hdr)),
        "alpha": "alpha" if re.match("yuva|gbrap|rgba", video["pix_fmt"]) else "",
        "frame_count": str(len(times)),
        "variable_rate": "variable" if max(steps) - min(steps) > Fraction(2, 1000) else "",
        "(length)": f"{float(span_s * len(times) / len(steps)):.2f} s",
        "(rate)": f"{float(len(steps) / span_s):.1f}",
        "(length of sound)": " ".join(f"{length:.2f} s" for length in lengths),
        "(colours)": " ".join(colours).strip(),
        "(fields)": f"top {pictures[0]['top_field_first']}" * pictures[0]["interlaced_frame"],
    }
    return {thing: text or None for thing, text in found.items()}


def _number(told: object) -> str:
    return f"{float(Fraction(str(told))):.4g}"  # Matroska keeps fractions as floats


def is_upright(clip: Path, path: Path) -> bool:
    """Whether a file shows the clip's first picture as players turn it, not as it lies there."""
    shape = ("-vf", "scale=8:8:flags=area,format=gray", "-frames:v", "1", "-f", "rawvideo", "-")
    reads = [(clip,), ("-noautorotate", clip), (path,)]
    heads = [(*read[:-1], "-i", f"file:{read[-1]}") for read in reads]
    quiet = (find_program(), "-v", "error", "-nostdin")
    turned, lying, shown = (subprocess.check_output([*quiet, *h, *shape]) for h in heads)
    far = [sum(abs(a - b) for a, b in zip(one, shown, strict=True)) for one in (turned, lying)]
    return 3 * far[0] < far[1]


def predict(clip: Path, encoding: Encoding, cache: Path) -> dict[str, str | None]:
    """What `survives` says of the printed command; EncodingError: the bench makes no such file."""
    index = cache / f"{hashlib.sha256(clip.name.encode()).hexdigest()}.json"
    write_frame_index(build_frame_index(clip, is_stamped=False), index)
    media = MediaReference(media_path=str(clip), index_path=str(index))
    told = {"source": media, "fingerprint": clip.name, "encoding": encoding}
    job = PrepareEncodingJob(**told, thread_count=1, cache_dir=str(cache))
    survives = prepare_encoding(job, lambda _message, _done: None).survives
    return {s.thing: state_by_command(s, encoding.container) for s in survives}


def cells(card: Path, made: Path, encoding: Encoding, making: Making) -> Iterator[tuple[Any, ...]]:
    """Clip, thing, what was predicted of it (None: nothing), what was found, and values; of what
    `survives` does not speak of (in parentheses) by the command's notes."""
    for clip in sorted(card.iterdir()):
        path = made / f"{clip.name}{making.suffix}"
        had, has = probe(clip), probe(path)
        try:
            told = predict(clip, encoding, card.parent / "cache")
        except EncodingError:
            yield clip.name, "(refused by the bench)", None, "made", ""
            continue
        if "silence" in making.limits and had["sound"]:
            length = str(has["(length)"])
            had["(length of sound)"] = " ".join([length] * len(had["sound"].split(" + ")))
        if "progressive" in making.limits:
            told["(fields)"] = None
        if "even rate" in making.limits and had["variable_rate"]:
            told |= {"(rate)": "changed", "(length)": None}
        for thing in had:
            state: str = Survival(thing=thing, clip=had[thing], file=has[thing]).state
            if thing == "rotation" and state == "lost" and is_upright(clip, path):
                state = "changed"
            if state != "not asked":
                yield clip.name, thing, told.get(thing, "kept"), state, (had[thing], has[thing])


def run_twice(making: Making, card: Path) -> tuple[Path, str]:
    """The folder made of another, and what a second run, check and flipped bit showed."""
    made = card.parent / f"made-{card.name}-{making.encoding}"
    scripts, states = scripts_of(making, card.name, made.name), []
    for _ in range(2):
        again = run_script(scripts["POSIX shell"], card.parent)
        files = sorted(made.iterdir())
        states.append([(p, p.stat().st_mtime_ns, p.read_bytes()) for p in files])
    copy = card.parent / "copy" / made.name
    shutil.copytree(made, copy)
    flipped = sorted(copy.glob(f"*{making.suffix}"))[-1]
    data = bytearray(flipped.read_bytes())
    data[len(data) // 2] ^= 1
    flipped.write_bytes(data)
    ends = [run_script(scripts["POSIX shell, to check"], f.parent) for f in (made, copy)]
    return made, (
        f"{len(files) - 1} made, {again.stderr.count('left alone')} left alone by the second run, "
        f"same: {states[0] == states[1]}; checks end with {[end.returncode for end in ends]}, "
        f"{[end.stdout.count('FAILED') for end in ends]} failed"
    )


def main() -> None:
    """Print what the scripts did, cells that were not predicted rightly (or all), and counts."""
    counts: Counter[tuple[str, str]] = Counter()
    with tempfile.TemporaryDirectory() as name:
        card, fields, cache = (Path(name) / one for one in ("card", "fields", "cache"))
        for folder in (card, fields, cache):
            folder.mkdir()
        make_clips(card)
        for clip in card.glob("* first.mov"):
            shutil.copy2(clip, fields)
        for title, container in ENCODINGS.items():
            changed = {"name": f"{title}-{container}", "container": container}
            encoding = find_encoding(title).model_copy(update=changed)
            for folder, facts in ((card, None), (fields, probe_media(fields / "top first.mov"))):
                making = making_of(encoding, facts)
                assert making is not None
                made, outcome = run_twice(making, folder)
                print(f"# {encoding.name}, {folder.name}: {outcome}", flush=True)
                for cell in cells(folder, made, encoding, making):
                    _, thing, predicted, found, _ = cell
                    judged = {None: "not told", found: "right"}.get(predicted, "wrong")
                    counts[thing, judged] += 1
                    if judged != "right" or "-v" in sys.argv:
                        print(judged, *map(repr, cell), sep=" | ", flush=True)
    print(*(f"{thing}: {count} {judged}" for (thing, judged), count in counts.items()), sep="\n")


if __name__ == "__main__":
    main()
