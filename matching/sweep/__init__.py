"""Long recordings: every event cut block by block, and those that stray listed with honest odds.

cut -> odd (each event against the recording's running usual event) -> tail (how improbable) ->
turn (early, late, missing, out of turn) -> rhythm -> find (the list). Arrays and frozen records
only; `matching.consult.sweep` reads the file and knows the catalogue.
"""
