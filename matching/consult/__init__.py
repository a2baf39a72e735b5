"""The Python API: the one room of `matching` with a door to the catalogue.

    from matching.consult import check, enrol

`check.check_file`, `check.check_manifest` answer; `enrol.add_file`, `enrol.add_manifest` teach.
"""
