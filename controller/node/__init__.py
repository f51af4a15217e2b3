"""Several joints, a link and a clock: what a board runs. No pins in here."""
