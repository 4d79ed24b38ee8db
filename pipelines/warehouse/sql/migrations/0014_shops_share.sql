-- Groups of the same name and definition in several shops share their normal spread; how much of it comes from there.
ALTER TABLE comparison_group ADD COLUMN IF NOT EXISTS family VARCHAR;   -- NULL: no other shop has the same
ALTER TABLE comparison_group ADD COLUMN IF NOT EXISTS apart VARCHAR;    -- in words, shops whose same name is another thing
ALTER TABLE group_stat ADD COLUMN IF NOT EXISTS shop_weight DOUBLE;     -- 0 to 1; NULL: no other shop has the same
