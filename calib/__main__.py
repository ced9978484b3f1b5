"""``python -m calib`` is the command ``calib``; both begin here, so that an interrupt is met from the first moment."""

from __future__ import annotations

import signal


def _stop(number: int, frame: object) -> None:
    raise KeyboardInterrupt


def start() -> None:
    """Run the command line."""
    numbers = (signal.SIGINT, signal.SIGTERM)
    for number in numbers:
        signal.signal(number, _stop)
    try:
        from calib.cli.main import main

        try:
            main()
        finally:
            # All is done and said. Python takes a moment to end, and would end with a complaint.
            for number in numbers:
                signal.signal(number, signal.SIG_IGN)
    except KeyboardInterrupt:
        # It fell into the imports, or between two of the lines above.
        from calib.cli.ending import end_interrupted

        end_interrupted()


if __name__ == "__main__":
    start()
