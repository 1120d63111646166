"""A report replaces an earlier report and nothing else."""

import errno
import os
from pathlib import Path
from types import SimpleNamespace

import pytest
from test_report_page import SMALL, all_bytes, lay_run

from mezzmark import own_files
from mezzmark.model.errors import DestinationError, DiskFullError
from mezzmark.report.page import marked_page, refuse_foreign_files, report_folder, write_report

NAMES = ("report.html", "report.md", "cells.csv", "figures/latency.svg")
OURS = marked_page("<!doctype html>\n<html><head>\n<title>x</title></head></html>")


def lay(folder: Path, **texts: str) -> Path:
    for name, text in texts.items():
        path = folder / name.replace("__", "/").replace("_", ".")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("texts", "named"),
    [
        ({"report_html": "<html><head></head>my own page</html>"}, "report.html"),
        ({"report_html": "mine", "cells_csv": "a,b"}, "report.html"),
        ({"report_md": "# mine"}, "report.md"),
        ({"cells_csv": "a,b"}, "cells.csv"),
        ({"figures__latency_svg": "<svg/>"}, "latency.svg"),
    ],
)
def test_what_mezzmark_did_not_write_is_refused(texts: dict, named: str, tmp_path: Path) -> None:
    """A page, text, table or figure of another hand stops the report, which names it and --out."""
    folder = lay(tmp_path, **texts)
    with pytest.raises(DestinationError, match=rf"{named}: it was not written.*--out"):
        refuse_foreign_files(folder, NAMES)


@pytest.mark.parametrize(
    "texts",
    [
        {},
        {"notes_txt": "mine"},
        {"report_html": OURS, "report_md": "x", "cells_csv": "x", "figures__latency_svg": "x"},
        {"report_html": "<style>\n:root{--fig-paper:#fefefe;}</style>", "report_md": "x"},
    ],
)
def test_an_empty_place_or_an_earlier_report_is_taken(texts: dict, tmp_path: Path) -> None:
    """Nothing of these names there, or a page of ours (with the mark, or older): no error."""
    refuse_foreign_files(lay(tmp_path, **texts), NAMES)


def test_every_page_says_in_its_head_who_made_it() -> None:
    """The mark stands once, right after the head begins; a page without a head has it at its end;
    a header is no head."""
    mark = '<meta name="generator" content="mezzmark">'
    assert OURS.startswith(f"<!doctype html>\n<html><head>\n{mark}\n<title>")
    assert marked_page(OURS) == OURS
    assert marked_page("<header>x</header>").endswith(f"</header>\n{mark}\n")


def test_several_runs_go_to_a_folder_of_their_own(tmp_path: Path) -> None:
    """One run's report lies in `report`, that of several in `comparison`, unless a folder is
    named."""
    one, two = tmp_path / "one", tmp_path / "two"
    assert report_folder([one], None) == one / "report"
    assert report_folder([one, two], None) == one / "comparison"
    assert report_folder([one, two], tmp_path) == tmp_path


@pytest.mark.parametrize(
    ("stop", "told"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), DiskFullError),
        (KeyboardInterrupt(), KeyboardInterrupt),
    ],
    ids=["full disk", "Ctrl-C"],
)
@pytest.mark.parametrize("cut", ["report.html", "report.md", "cells.csv"])
def test_a_report_cut_short_is_replaced_by_the_next(
    stop: BaseException, told: type[BaseException], cut: str, tmp_path: Path
) -> None:
    """Stopped within a file, the first time or over an earlier report: no half file is left, each
    older one is whole, and the next report is written as if nothing had been."""
    failed = {"outcome": "timed_out", "measurement": None}  # no figures, which take time
    run_dir, out = lay_run(tmp_path / "run", SMALL, task="encode", **failed), tmp_path / "out"
    put_in_place = os.replace

    def cut_short(new: Path, path: Path) -> None:
        if cut in path.name:
            new.write_bytes(new.read_bytes()[:7])
            raise stop
        put_in_place(new, path)

    def write_cut_short() -> None:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(own_files.os, "replace", cut_short)
            with pytest.raises(told):
                write_report([run_dir], out_dir=out)

    write_cut_short()
    assert all(len(content) > 7 for content in all_bytes(out).values())
    write_report([run_dir], out_dir=out)
    whole = all_bytes(out)
    write_cut_short()
    assert all_bytes(out) == whole
    write_report([run_dir], out_dir=out)
    assert all_bytes(out) == whole


def test_a_report_without_room_leaves_the_earlier_one_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Room ends at the third file: of a first report nothing is left, its folder neither; of an
    earlier one every file stays as it was; how much is missing is told."""
    run_dir, out = lay_run(tmp_path / "run", SMALL, task="encode"), tmp_path / "out"
    write, left = own_files.write_new, iter(())

    def write_while_there_is_room(path: Path, content: bytes, **how: bool) -> None:
        if next(left, None) is None:
            raise OSError(errno.ENOSPC, "No space left on device")
        write(path, content, **how)

    monkeypatch.setattr(own_files, "write_new", write_while_there_is_room)
    monkeypatch.setattr(own_files.shutil, "disk_usage", lambda _: SimpleNamespace(free=7))
    left = iter("ab")
    with pytest.raises(DiskFullError, match=r"kB are missing \(\d+ kB needed, 1 kB free\)"):
        write_report([run_dir], out_dir=out)
    assert not out.exists()
    left = iter("a" * 99)
    write_report([run_dir], out_dir=out)
    (out / "cells.csv").write_text("of an earlier run")
    whole, left = all_bytes(out), iter("ab")
    with pytest.raises(DiskFullError):
        write_report([run_dir], out_dir=out)
    assert all_bytes(out) == whole
