"""Views of a cut capture: numbers and curves the matcher compares, each group kept apart."""
