"""The modelled link asks for the bytes that a mounted share asks for; how long both take is
compared by `python tests/simulation/link_against_share.py`."""

import time
from pathlib import Path

import numpy as np
import pytest

from mezzmark.engines.media.storage_file import Line, StorageFile
from mezzmark.host.file_pages import drop_pages
from mezzmark.model.link import KIB, LinkSettings
from simulation.link_against_share import lacking, share


class CountedLine(Line):
    """A line that counts what is asked for."""

    asked_bytes = 0

    def ask(self, asked_ns: int, byte_count: int) -> int:
        """As of any line."""
        self.asked_bytes += byte_count
        return super().ask(asked_ns, byte_count)


@pytest.mark.slow
def test_as_many_bytes_pass_as_over_the_model(tmp_path: Path) -> None:
    """Of single reads at odd places, of packets one after the other and of small ones in a row, the
    relay between sshfs and its server counts within a tenth what the link asks for."""
    if missing := lacking():
        pytest.skip(f"no share can be mounted here, for there is no {missing}")
    path = tmp_path / "file.bin"
    path.write_bytes(np.random.default_rng(1).bytes(16 * KIB * KIB))
    with share(tmp_path, 0, 0) as (mount, passed):
        for at, sizes in (
            (2012, (246,)),
            (3012, (606,)),
            (4004, (20,)),
            (5012, (960,)),
            (8012, (700, 120, 60, 50, 250)),
            (11_012, (32,) * 24),
        ):
            line = CountedLine(LinkSettings(rate="1 Gbit/s").link)
            modelled = StorageFile(path, line)
            drop_pages(mount / path.name)
            before = passed.value
            with (mount / path.name).open("rb", buffering=0) as mounted:
                for file in (mounted, modelled):
                    file.seek(at * KIB)
                    for size in sizes:
                        file.read(size * KIB)
                        time.sleep(0.01)
            modelled.close()
            time.sleep(0.1)
            assert passed.value - before == pytest.approx(line.asked_bytes, rel=0.1), sizes
