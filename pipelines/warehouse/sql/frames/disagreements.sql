-- Rows of which a table of the drop folder and a form last said different things; the later one stands.
WITH said AS (
    SELECT regexp_replace(subject, '\.(csv|xlsx)$', '') AS name, key, log_id, logged_at, action, entered_by, after
    FROM intake_log
    WHERE regexp_matches(subject, '\.(csv|xlsx)$') AND key IS NOT NULL AND action IN ('added', 'changed', 'undone')
),
by_table AS (
    SELECT name, key, max(log_id) AS log_id, arg_max(logged_at, log_id) AS logged_at, arg_max(after, log_id) AS after
    FROM said WHERE entered_by IS NULL AND action <> 'undone' GROUP BY name, key
),
by_form AS (
    SELECT name, key, max(log_id) AS log_id, arg_max(logged_at, log_id) AS logged_at,
           arg_max(coalesce(after, ''), log_id) AS after, arg_max(entered_by, log_id) AS entered_by
    FROM said WHERE entered_by IS NOT NULL GROUP BY name, key
)
SELECT name, key, by_table.after AS table_says, by_table.logged_at AS table_at,
       nullif(by_form.after, '') AS form_says, by_form.logged_at AS form_at, by_form.entered_by,
       CASE WHEN by_form.log_id > by_table.log_id THEN 'form' ELSE 'table' END AS stands
FROM by_table JOIN by_form USING (name, key)
WHERE by_table.after IS DISTINCT FROM nullif(by_form.after, '')
ORDER BY greatest(by_table.log_id, by_form.log_id) DESC
