"""Top floor: speaks to people. Options in, one consult call, one output call."""
