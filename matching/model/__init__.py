"""What the references of one system teach: the good spread, the faults' directions, the edge."""
