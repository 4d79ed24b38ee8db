-- What stands for each thing somebody decided about: its newest version.
SELECT item, version, state, assigned_to, reason, entered_by, entered_at
FROM waiting_mark
QUALIFY row_number() OVER (PARTITION BY item ORDER BY version DESC) = 1
ORDER BY item
