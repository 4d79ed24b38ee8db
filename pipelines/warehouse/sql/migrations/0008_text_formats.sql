-- How a file's text was laid out as far as its reader had to find out, and what its folder said about that.
ALTER TABLE capture_state ADD COLUMN IF NOT EXISTS read_as VARCHAR;
ALTER TABLE capture_state ADD COLUMN IF NOT EXISTS told VARCHAR;   -- JSON; NULL: nothing, all was guessed
