"""How to make an encoding's files: the commands of `model.making` as scripts to be pasted.

A file's name is never part of a script but where the user gave it, quoted by the shell's own rules;
the scripts pass names on in variables, behind `file:` and `--`, or as literal paths.
"""

import re
import shlex
from collections.abc import Callable
from typing import Final

from mezzmark.model.catalogue.core import find_entry
from mezzmark.model.encoding import Encoding
from mezzmark.model.making import SOURCE, TARGET, Limit, Making
from mezzmark.report.prose.numbers import shown_name

SUFFIXES: Final = ("mov", "mp4", "m4v", "mxf", "mkv", "avi", "mts", "m2ts")
"""What is taken for footage in a folder, in small or capital letters."""

_PLAIN: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
"""Words that PowerShell takes as they are."""

_POSIX: Final = """\
IN={source} OUT={target}
if [ -d "$IN" ]; then set -- "$IN"/*; else set -- "$IN"; fi
command -v sha256sum > /dev/null || sha256sum() {{ shasum -a 256 "$@"; }}
mkdir -p -- "$OUT"
for f; do
  n=${{f##*/}}{suffix}
  case $f in
    "$IN") ;;
    *{suffix}) continue ;;
    {patterns}) ;;
    *) continue ;;
  esac
  part=$OUT/$n.$$.part
  if [ -e "$OUT/$n" ] || [ -L "$OUT/$n" ] || [ -e "$part" ]; then
    printf 'exists, left alone: %s\\n' "$OUT/$n" >&2
    continue
  fi
  reel=$(ffmpeg -nostdin -i "file:$f" 2>&1 |
    sed -n 's/^ *[Rr][Ee][Ee][Ll]_[Nn][Aa][Mm][Ee] *: //p' | sed 1q)
  {command} &&
    mv -n -- "$part" "$OUT/$n" && [ ! -e "$part" ] &&
    (CDPATH= cd -- "$OUT" && sha256sum -- "$n" >> SHA256SUMS) ||
    {{ s=$?; printf 'not made: %s\\n' "$OUT/$n" >&2; [ "$s" -ne {stopped} ] || break; }}
done
"""

_REEL: Final = """'-metadata' "reel_name=$reel" '-metadata:s:v:0' "reel_name=$reel\""""
"""What a camera's reel is passed on with, in either shell; an empty one is none."""

_STOPPED: Final = 255
"""What FFmpeg's program ends with where it was interrupted."""

_POSIX_CHECK: Final = """\
command -v sha256sum > /dev/null || sha256sum() {{ shasum -a 256 "$@"; }}
(CDPATH= cd -- {target} && sha256sum -c SHA256SUMS)
"""

_POWERSHELL: Final = """\
& {{
$ErrorActionPreference = 'Continue'; $PSNativeCommandUseErrorActionPreference = $false
$in = {source}; $out = {target}
$out = $ExecutionContext.SessionState.Path.GetUnresolvedProviderPathFromPSPath($out)
[void][IO.Directory]::CreateDirectory($out)
$all = Test-Path -LiteralPath $in -PathType Leaf
foreach ($f in Get-ChildItem -LiteralPath $in -File) {{
  if (-not $all -and ($f.Name -like '*{suffix}' -or $f.Extension -notin {patterns})) {{ continue }}
  $n = $f.Name + '{suffix}'
  $o = [IO.Path]::Combine($out, $n)
  $part = "$o.$PID.part"
  if ((Test-Path -LiteralPath $o) -or (Test-Path -LiteralPath $part)) {{
    Write-Warning "exists, left alone: $o"; continue
  }}
  $reel = ''
  & ffmpeg '-nostdin' '-i' "file:$($f.FullName)" 2>&1 | ForEach-Object {{
    if (-not $reel -and "$_" -match '^ *reel_name *: (.+)') {{ $reel = $Matches[1] }}
  }}
  & {command}
  if ($LASTEXITCODE -ne 0) {{ Write-Warning "not made: $o"; continue }}
  try {{
    [IO.File]::Move($part, $o)
    $h = (Get-FileHash -LiteralPath $o -Algorithm SHA256 -ErrorAction Stop).Hash.ToLower()
    [IO.File]::AppendAllText([IO.Path]::Combine($out, 'SHA256SUMS'), "$h  $n`n")
  }} catch {{ Write-Warning "not made: $o" }}
}} }}
"""

_POWERSHELL_CHECK: Final = """\
& {{
$out = {target}
Get-Content -LiteralPath (Join-Path $out 'SHA256SUMS') -Encoding UTF8 | ForEach-Object {{
  $h, $n = $_ -split '  ', 2
  if ((Get-FileHash -LiteralPath (Join-Path $out $n) -Algorithm SHA256).Hash -eq $h) {{ "$n OK" }}
  else {{ Write-Warning "$n FAILED" }}
}} }}
"""


_SINGLE_QUOTES: Final = re.compile("(['‘’‚‛])")  # PowerShell ends a text at any


def powershell_quoted(word: str) -> str:
    """The word in PowerShell's single quotes, each such quote inside, typographic too, doubled."""
    doubled = _SINGLE_QUOTES.sub(r"\1\1", word)
    return f"'{doubled}'"


def _posix_quoted(path: str) -> str:
    """A path as one word of a POSIX shell that is no option."""
    return shlex.quote(f"./{path}" if path[:1] == "-" else path)


def scripts_of(making: Making, source: str = "", target: str = "") -> dict[str, str]:
    """Title → script for files of `source` (a file or folder) in folder `target`, and its check."""
    source, target = source or "card", target or "made"
    posix = {"source": _posix_quoted(source), "target": _posix_quoted(target)}
    power = {"source": powershell_quoted(source), "target": powershell_quoted(target)}
    patterns = "|".join(f"*.{''.join(map(_either, suffix))}" for suffix in SUFFIXES)
    extensions = ", ".join(f"'.{suffix}'" for suffix in SUFFIXES)
    in_shell = {SOURCE: '"file:$f"', TARGET: f'{_REEL} "file:$part"'}
    in_power = {SOURCE: '"file:$($f.FullName)"', TARGET: f'{_REEL} "file:$part"'}
    return {
        "POSIX shell": _POSIX.format(
            **posix,
            suffix=making.suffix,
            patterns=patterns,
            stopped=_STOPPED,
            command=_line(making, in_shell, shlex.quote),
        ),
        "POSIX shell, to check": _POSIX_CHECK.format(**posix),
        "PowerShell": _POWERSHELL.format(
            **power,
            suffix=making.suffix,
            patterns=extensions,
            command=_line(making, in_power, _power_word),
        ),
        "PowerShell, to check": _POWERSHELL_CHECK.format(**power),
    }


def _either(letter: str) -> str:
    return letter if letter.isdigit() else f"[{letter.upper()}{letter}]"


def _power_word(word: str) -> str:
    return word if _PLAIN.fullmatch(word) else powershell_quoted(word)


def _line(making: Making, files: dict[str, str], quote: Callable[[str], str]) -> str:
    return " ".join(files.get(word) or quote(word) for word in making.arguments)


def plain_command(making: Making) -> str:
    """The bare command of one file IN, in one line."""
    files = {SOURCE: "file:IN", TARGET: f"file:OUT.{making.container}"}
    return _line(making, files, shlex.quote)


def making_headline(making: Making) -> str:
    """What the commands make."""
    name = shown_name(making.encoding)
    return (
        f"{name} as it was measured, of a file or a folder without its subfolders, with FFmpeg 8 "
        "or later."
    )


def making_sentences(making: Making) -> tuple[str, ...]:
    """What must be known before the commands are used."""
    return (
        "Keep the camera originals until two copies of the new files exist and have been checked.",
        "What is there already is left alone; an interrupted file ends in .part. SHA256SUMS gets "
        "the digest of each file.",
        f"Sound (as PCM of 24 bits), timecode and tags come along as far as {making.container} "
        "holds them.",
        *(_limit_text(making, limit) for limit in making.limits),
    )


def command_notes(making: Making) -> tuple[str, ...]:
    """What must be known of the bare command, and where the scripts are."""
    known = find_entry(making.encoding)
    printed = f"mezzmark encodings {making.encoding} --command, and " if known else ""
    return (
        f"Whole folders, digests and PowerShell: {printed}the report of a run.",
        *making_sentences(making)[:1],
    )


def unmade_text(encoding: Encoding) -> str:
    """Why no command is given."""
    if encoding.is_original:
        return "The original is the footage itself: there is nothing to make."
    return f"{shown_name(encoding.name)}: no command is known for {encoding.container}."


def _limit_text(making: Making, limit: Limit) -> str:
    size = f"{making.width_px}×{making.height_px} at {float(making.frame_rate):.5g} pictures/s"
    return {
        "bit rate": f"The bit rate (-b:v) is for {size}; in proportion for others.",
        "matrix": "The matrix in the filter is that of the footage measured; others need theirs.",
        "siting": "Chroma is taken to lie left (in_chroma_loc), as AVC, HEVC and MPEG-2 have it; "
        "leave that out for other footage.",
        "fields": "It is for interlaced footage.",
        "progressive": "For interlaced footage take the command in the report of a run on it.",
        "even rate": "Footage of a variable rate gets an even one by repeating and leaving out "
        "pictures, or is refused; a rate can be given (-r 25, before -f).",
        "turned": "Pictures that a camera says are to be turned are stored upright.",
        "range": "FFmpeg 8.0 converts between full and limited range a little otherwise than was "
        "measured; 9.0 does not.",
        "version": "Pictures differ a little from those measured where the encoder's version does.",
        "silence": "Sound is resampled to 48 kHz and ends with the pictures.",
    }[limit]
