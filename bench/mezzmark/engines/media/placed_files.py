"""Prepared files on a root: copied into one folder, made and marked there, each read back and held
against its digest; removed with it. Nothing else there is touched, and no link followed."""

import errno
import os
import re
import shutil
from pathlib import Path
from typing import Final

from mezzmark import own_files
from mezzmark.engines.media.cache import file_fingerprint
from mezzmark.engines.media.frame_index import ProgressUpdate
from mezzmark.host.common import read_free_bytes, read_mount
from mezzmark.host.file_pages import drop_pages
from mezzmark.model.errors import DestinationError
from mezzmark.model.preparations import PlacedFile, PlacedFiles, PlaceFilesJob
from mezzmark.model.run import Root

FOLDER_PREFIX: Final = "mezzmark-"

_OPTION: Final = re.compile(r"\w+(=\d+(\.\d+)?)?|(cache|data|proto|sec|vers)=[\w.-]+")
_DEVICE: Final = re.compile(r"/dev/[\w/.-]+|\w+")
"""What may be published: nothing that names a server, a user or a folder."""


def place_files(job: PlaceFilesJob, advance: ProgressUpdate) -> PlacedFiles:
    """Copy the job's files, or remove what was copied. Raises DiskFullError with what is missing,
    DestinationError where the root cannot be written or does not give back what was written."""
    root, prefix = Path(job.root.path), f"{FOLDER_PREFIX}{job.owner}-"
    name = f'the root "{job.root.name}"'
    remedy = f"Make room, mend or name another folder for {name}."
    needed_bytes = sum(file.file_bytes for file in job.files)
    with own_files.translate_os_errors(root, remedy=remedy, needed_bytes=needed_bytes):
        is_cleared = own_files.clear_marked(root, prefix)
        free_bytes = shutil.disk_usage(root).free
        if job.is_over:
            return PlacedFiles(folder="" if is_cleared else job.root.path)
        if free_bytes < needed_bytes:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        folder, files = own_files.make_marked_folder(root, prefix), []
        try:
            for number, file in enumerate(job.files):
                advance(f"copying to {name}", number / len(job.files))
                files.append(_copy(file, folder / f"{number:03}{Path(file.path).suffix}"))
        except BaseException:
            own_files.remove_marked(folder)
            raise
    return PlacedFiles(folder=str(folder), files=tuple(files), root=_describe(job.root.name, root))


def _copy(file: PlacedFile, place: Path) -> PlacedFile:
    with Path(file.path).open("rb") as source, place.open("xb") as copy:
        shutil.copyfileobj(source, copy)
        copy.flush()
        os.fsync(copy.fileno())
    drop_pages(place)  # what is read back then comes from the storage
    if file_fingerprint(place) != file.fingerprint:
        what = "the storage does not give back what was written to it"
        remedy = "Check it, and that nothing else writes there."
        raise DestinationError(where=str(place), what=what, remedy=remedy)
    return file.model_copy(update={"path": str(place)})


def _describe(name: str, root: Path) -> Root:
    """What the system tells of it, as far as that may be published."""
    mount = read_mount(root)
    device, options = getattr(mount, "device", ""), getattr(mount, "opts", "").split(",")
    return Root(
        name=name,
        path=root.name,
        file_system=getattr(mount, "fstype", None),
        options=",".join(filter(_OPTION.fullmatch, options)) or None,
        device=device if _DEVICE.fullmatch(device) else None,
        free_bytes=read_free_bytes(root),
    )
