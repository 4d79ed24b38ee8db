-- What a reading says besides its figures and checks: a fault that came and went, a name withheld and why.
ALTER TABLE capture_state ADD COLUMN IF NOT EXISTS notes VARCHAR;   -- JSON list of sentences; NULL: none
