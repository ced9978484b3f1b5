"""The knobs of a photograph: the camera over the page, the light on it, and what the camera makes of both.

Every figure is common practice or invented.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Lamp:
    """A small lamp, or with a large height a window or the sky.

    at_mm: place over the page's plane, in plan mm, and height. share: of the light in the middle of the page.
    tint: its colour relative to what the camera takes for white.
    """

    at_mm: tuple[float, float, float] = (-400.0, 100.0, 1200.0)
    share: float = 1.0
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Shadow:
    """A shadow over half the page, or a round one.

    at_mm: a point on its edge, or its middle. toward_deg: the way in which it lies (0 right, 90 down). soft_mm: width of the
    edge. depth: share of the light of the lamps that it takes. lamps: which ones, all where empty.
    radius_mm: of a round one, 0 for half the page.
    """

    at_mm: tuple[float, float]
    toward_deg: float = 0.0
    soft_mm: float = 15.0
    depth: float = 0.3
    lamps: tuple[int, ...] = ()
    radius_mm: float = 0.0


@dataclass(frozen=True)
class Glare:
    """A lamp mirrored in the page: light added in a spot, as a share of a perfect white's.

    strength: on dry ink. On bare paper and on the strip it is paper and strip times as much.
    """

    at_mm: tuple[float, float]
    radius_mm: float = 15.0
    strength: float = 0.05
    paper: float = 0.4
    strip: float = 1.5


@dataclass(frozen=True)
class Camera:
    """The camera and its program.

    size_px: width, height. focal_mm: on a frame of 36 mm. height_mm: of the lens over the page. over_mm: the point of the page that
    it stands over, as a shift from its middle. tilt_deg, pan_deg, turn_deg: about the picture's two sides and the line of sight;
    the middle of the picture shows the middle of the page when all are 0.
    barrel: radial distortion, relative, at the corner of the picture (below 0 barrel). curl_mm: how far two opposite
    edges of the page stand up, 0 flat. table: reflectance of what lies around.
    vignetting: share of the fourth power of the cosine that the program leaves in. veil: light strewn evenly over the picture, as a share of
    the picture's mean. defocus_px, shake_px: blurs. sharpen: unsharp masking. noise_read, noise_shot: as a scanner's; chroma: how
    much of it is left in colour, as smooth blotches.
    exposure: light of the brightest paper over the most that the file holds. balance: error of the white balance by channel.
    contrast: sway of the tone curve. local: how much the program evens out light and dark parts. quality: of the JPEG.
    """

    size_px: tuple[int, int] = (4000, 3000)
    focal_mm: float = 26.0
    height_mm: float = 265.0
    over_mm: tuple[float, float] = (5.0, -8.0)
    tilt_deg: float = 3.0
    pan_deg: float = -2.0
    turn_deg: float = 91.0
    barrel: float = -0.004
    curl_mm: float = 0.0
    table: tuple[float, float, float] = (0.32, 0.22, 0.14)
    vignetting: float = 0.35
    veil: float = 0.015
    defocus_px: float = 0.9
    shake_px: float = 0.0
    sharpen: float = 0.4
    noise_read: float = 0.0015
    noise_shot: float = 0.007
    chroma: float = 0.35
    exposure: float = 0.8
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    contrast: float = 0.2
    local: float = 0.0
    quality: int = 88
    lamps: tuple[Lamp, ...] = (Lamp(),)
    shadows: tuple[Shadow, ...] = ()
    glares: tuple[Glare, ...] = ()
    seed: int = 0
