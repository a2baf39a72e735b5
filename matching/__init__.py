"""Middle floor: a capture in, a verdict out. Pure except for `matching.consult`."""
