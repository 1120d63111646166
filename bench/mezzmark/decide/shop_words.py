"""What a shop file says, in lines, so that it can be checked without any run."""

from mezzmark.decide.sizing_streams import payload_mb_per_s, planned_link_mb_per_s
from mezzmark.decide.sizing_words import wanted_text
from mezzmark.decide.units import footage_gb
from mezzmark.decide.wording import count_text, number_text, shown_name, visible_text
from mezzmark.facts.shop import Camera, Shop, list_assumptions


def shop_lines(shop: Shop) -> tuple[str, ...]:
    """The shop's day and network as they follow from the file, and every default that it left."""
    assumptions = list_assumptions(shop)
    defaults = [assumption for assumption in assumptions if assumption.is_default]
    cards = sum(camera.card_count_per_day for camera in shop.cameras)
    hours = sum(camera.count * camera.hours_per_day for camera in shop.cameras)
    gigabytes = sum(map(_camera_gb, shop.cameras))
    return (
        f"{shown_name(shop.name)}: {count_text(shop.editors, 'editor')}, and a shooting day of "
        f"{hours:g} h of footage on {count_text(cards, 'card')}, {number_text(gigabytes)} GB",
        *(_camera_line(camera) for camera in shop.cameras),
        f"network: {shop.link_gbps:g} Gb/s carry {number_text(payload_mb_per_s(shop))} MB/s, "
        f"{number_text(planned_link_mb_per_s(shop))} MB/s of it to plan for",
        f"storage array: delivers {number_text(shop.array_mb_per_s)} MB/s",
        f"in time: {wanted_text(shop)}",
        f"defaults, not yours: {len(defaults)} of {count_text(len(assumptions), 'value')}",
        *(
            f"  {visible_text(assumption.name)} = {visible_text(assumption.value)}"
            f"  ({assumption.meaning})"
            for assumption in defaults
        ),
        "The shop file is legal. Size it with: mezzmark size RUN --shop FILE",
    )


def _camera_gb(camera: Camera) -> float:
    return footage_gb(camera.bitrate_bps, camera.count * camera.hours_per_day)


def _camera_line(camera: Camera) -> str:
    return (
        f"camera {shown_name(camera.name)}: {camera.count} × {camera.hours_per_day:g} h a day, "
        f"{camera.width_px}×{camera.height_px} at {float(camera.frame_rate):.5g} fps, "
        f"{number_text(camera.bitrate_bps / 1e6)} Mbit/s, {number_text(_camera_gb(camera))} GB a "
        "day"
    )
