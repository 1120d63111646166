"""What the viewer shows of a chart: the present step of the scrub task, at the chart's own size."""

from collections.abc import Callable
from fractions import Fraction

import numpy as np
from av.video.frame import VideoFrame

from mezzmark.engines.viewer import presenter
from mezzmark.facts.colour import Floats
from mezzmark.facts.footage import MediaFacts


def chart_viewer(facts: MediaFacts) -> Callable[[VideoFrame], Floats]:
    """A function from a decoded frame to the viewer's picture: (lines, samples, 3), codes 0 to
    255. Give facts with other tags to see what a reader of those tags would show."""
    present = presenter(facts, pixel_aspect=Fraction(1), height_px=facts.height_px, thread_count=1)

    def view(frame: VideoFrame) -> Floats:
        shown = present(frame)
        if shown is None:
            raise ValueError("a frame always gives a view")
        return np.asarray(shown.to_ndarray(), dtype=np.float64)

    return view
