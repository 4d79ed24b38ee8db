-- Ids are drawn by the one writer there is (pipelines/warehouse/keys.py), because not every engine has sequences.
ALTER TABLE intake_log ALTER COLUMN log_id DROP DEFAULT;
DROP SEQUENCE intake_log_id;
