"""Sets of pens that run from dark to light: judged, and proposed."""
