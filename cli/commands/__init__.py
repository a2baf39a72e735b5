"""One file per command or family: options in, one consult call, one output call.

Heavy imports stand inside the functions, so that `--help` and mistakes answer at once.
"""
