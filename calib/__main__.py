"""``python -m calib`` is the command ``calib``."""

from calib.cli.main import main

main()
