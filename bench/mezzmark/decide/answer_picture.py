"""What the answer says of the picture: colours that shifted, and what came back bit for bit."""

from collections.abc import Sequence

from mezzmark.decide.diagnosis import INVISIBLE_DELTA_E
from mezzmark.decide.fidelity import EncodingFidelity
from mezzmark.decide.wording import count_text, list_text, number_text, shown_name


def picture_sentences(fidelity: Sequence[EncodingFidelity]) -> list[str]:
    """What the encodings did to the picture: colours first, then what came back bit for bit."""
    texts = []
    charts = [(entry.worst_chart, entry.encoding) for entry in fidelity if entry.worst_chart]
    shifted = [pair for pair in charts if pair[0].delta_e >= INVISIBLE_DELTA_E]
    if shifted:
        worst, name = max(shifted, key=lambda pair: pair[0].delta_e)
        texts.append(
            f"Colours: {len(shifted)} of {count_text(len(charts), 'encoding')} shifted visibly; "
            f"most of all {shown_name(name)}: {worst.words}."
        )
    elif charts:
        worst, name = max(charts, key=lambda pair: pair[0].worst_delta_e)
        texts.append(
            f"Colours: no visible shift in any of {count_text(len(charts), 'encoding')}; the "
            f"largest of a patch is ΔE {number_text(worst.worst_delta_e)} ({shown_name(name)})."
        )
    exact = [entry.encoding for entry in fidelity if entry.is_bit_exact]
    if exact:
        texts.append(f"Came back bit-exact: {list_text(exact)}.")
    return texts
