"""Which libraries do the work: PyAV and the FFmpeg libraries it was built with."""

from importlib.metadata import version


def read_library_versions() -> dict[str, str]:
    """Library → version, for PyAV, each of FFmpeg's libraries, and numpy."""
    import av

    versions = {"PyAV": av.__version__, "FFmpeg": str(getattr(av, "ffmpeg_version_info", ""))}
    for name, numbers in av.library_versions.items():
        versions[name] = ".".join(str(number) for number in numbers)
    versions["numpy"] = version("numpy")
    return {name: text for name, text in versions.items() if text}
