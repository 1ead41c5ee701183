"""``python -m calib``"""

from calib.cli.app import main

main()
