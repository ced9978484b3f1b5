"""calib: hand-coloured swatch charts, printed, scanned and measured."""

__version__ = "0.1.0"
