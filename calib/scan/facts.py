"""What the table's description says of each page: what was found in it, and how well."""

from __future__ import annotations

from typing import Any

from calib.scan.sheet import PageReading


def report_of(page: PageReading) -> dict[str, Any]:
    """Return a page's figures by name, ready for JSON, with their units in the names; None where one is not known."""
    lighting, printed = page.lighting, page.printed
    return {
        "scan": page.picture.name,
        "page": page.frame.page.page,
        "bits": page.picture.bits,
        "jpeg_quality": page.picture.jpeg,
        "profile": page.decode.name,
        "dpi_measured": round(page.frame.pixels_per_mm * 25.4, 1),
        "marks": page.frame.marks,
        "marks_residual_mm": round(page.frame.residual_mm, 4),
        "printed_scale": None if printed.scale is None else round(printed.scale, 4),
        "stretch": round(printed.stretch, 4),
        "falloff": round(lighting.falloff(), 4),
        "lighting_residual": round(lighting.residual, 5),
        "u_lighting": round(lighting.u_gain, 5),
        "flare": round(float(lighting.flare.sum()), 5),
        "u_flare": round(lighting.u_flare, 5),
        "paper_tiles": int((lighting.weight > 0).sum()),
        "forced": page.forced,
        "photo": page.photo is not None,
        **({} if page.quality is None else page.quality.report),
        **_strip(page),
    }


def _strip(page: PageReading) -> dict[str, Any]:
    strip = page.strip
    if strip is None:
        return {}
    return {
        "strip_along_mm": round(strip.place.along, 2),
        "strip_across_mm": round(strip.place.across, 2),
        "strip_degrees": round(strip.place.angle, 2),
        "strip_reversed": strip.place.reversed,
        "tone_residual_L": round(page.tone.residual, 3),
        "tone_curve": page.tone.curves[1].name,
    }
