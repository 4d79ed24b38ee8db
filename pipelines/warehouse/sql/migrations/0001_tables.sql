-- What the shop wrote (one table per table of the drop folder), what became of its captures,
-- what the models made of them, and a log of every change.

CREATE TABLE setting (
    name VARCHAR PRIMARY KEY,
    value VARCHAR NOT NULL,          -- JSON
    set_at TIMESTAMP NOT NULL,
    set_by VARCHAR NOT NULL
);

-- One row per thing that happened to a row or file: nothing is overwritten without one.
CREATE SEQUENCE intake_log_id;
CREATE TABLE intake_log (
    log_id BIGINT PRIMARY KEY DEFAULT nextval('intake_log_id'),
    batch VARCHAR NOT NULL,          -- one per command run; makes a retry recognisable
    logged_at TIMESTAMP NOT NULL,
    subject VARCHAR NOT NULL,        -- table of the drop folder, or 'waveform', 'fit', 'threshold', 'setting'
    key VARCHAR,                     -- the row's key, or the file's path below the drop folder
    action VARCHAR NOT NULL,         -- added, changed, refused, waiting, noted, read_again
    reason VARCHAR,
    before VARCHAR,                  -- JSON of what was there
    after VARCHAR                    -- JSON of what is there now
);

CREATE TABLE engine_family (
    engine_family VARCHAR PRIMARY KEY,
    cylinders INTEGER NOT NULL,
    firing_order VARCHAR NOT NULL,
    firing_intervals_deg VARCHAR NOT NULL,   -- '' = even
    sync_kind VARCHAR NOT NULL
);

CREATE TABLE technician (technician VARCHAR PRIMARY KEY, started_on DATE);

CREATE TABLE repair_order (
    repair_order VARCHAR PRIMARY KEY,
    opened_at TIMESTAMP,
    closed_at TIMESTAMP,
    technician VARCHAR,
    vehicle VARCHAR,
    engine_family VARCHAR,
    complaint VARCHAR,
    scope_eligible BOOLEAN,
    comeback_of VARCHAR,
    labour_h DOUBLE,
    parts_cost DOUBLE,
    parts_returned DOUBLE
);

CREATE TABLE capture_log (
    capture_file VARCHAR PRIMARY KEY,
    captured_at TIMESTAMP,
    technician VARCHAR,
    repair_order VARCHAR,
    vehicle VARCHAR,
    engine_family VARCHAR,
    test VARCHAR,
    purpose VARCHAR,
    ch_signals VARCHAR[],
    ch_scales DOUBLE[],
    sync_cylinder INTEGER,
    call VARCHAR,
    call_cylinders INTEGER[]
);

CREATE TABLE outcome (
    repair_order VARCHAR PRIMARY KEY,
    confirmed_at TIMESTAMP,
    finding VARCHAR,
    confirmed_cylinders INTEGER[],
    method VARCHAR,
    gauge_kpa DOUBLE[]
);

CREATE TABLE drill (drill VARCHAR PRIMARY KEY, technician VARCHAR, test VARCHAR, week_of DATE, target INTEGER);

CREATE TABLE coaching (
    session VARCHAR PRIMARY KEY,
    technician VARCHAR NOT NULL,
    held_on DATE NOT NULL,
    topic VARCHAR NOT NULL,
    test VARCHAR
);

-- What became of each capture: one row per file seen or row logged.
CREATE TABLE capture_state (
    capture_file VARCHAR PRIMARY KEY,
    status VARCHAR NOT NULL,         -- read, unusable, waiting, refused
    reason VARCHAR,                  -- a sentence that says what to do; NULL when read
    file_sha256 VARCHAR,             -- of the bytes as dropped; NULL while no file came
    file_bytes BIGINT,
    file_mtime_ns BIGINT,
    waveform_sha256 VARCHAR,         -- names our own copy in the waveforms folder
    rate_hz DOUBLE,
    duration_s DOUBLE,
    channels INTEGER,
    reader_version INTEGER,
    read_from VARCHAR,               -- hash of hookup and family the reading was made with
    read_at TIMESTAMP
);

-- Capture-level numbers, long, so that a new test kind needs no schema change.
CREATE TABLE feature (capture_file VARCHAR NOT NULL, feature VARCHAR NOT NULL, value DOUBLE, PRIMARY KEY (capture_file, feature));

CREATE TABLE cylinder_reading (
    capture_file VARCHAR NOT NULL,
    firing_position INTEGER NOT NULL,
    cylinder INTEGER,                -- NULL where only the position is known
    relative_pct DOUBLE NOT NULL,
    se_pct DOUBLE NOT NULL,
    identified VARCHAR NOT NULL,
    companion INTEGER,
    PRIMARY KEY (capture_file, firing_position)
);

CREATE TABLE setup_check (capture_file VARCHAR NOT NULL, "check" VARCHAR NOT NULL, severity VARCHAR NOT NULL, detail VARCHAR NOT NULL, PRIMARY KEY (capture_file, "check"));

-- What the reader saw, for drawing.
CREATE TABLE capture_events (
    capture_file VARCHAR PRIMARY KEY,
    crank_start_s DOUBLE,
    crank_end_s DOUBLE,
    sync_s DOUBLE[],
    compression_s DOUBLE[],
    position INTEGER[],
    mean_cycle FLOAT[]
);

-- Model outputs: replaced as a whole by each fit, which leaves a row in fit_run.
CREATE TABLE fit_run (fit_id BIGINT PRIMARY KEY, fitted_at TIMESTAMP NOT NULL, captures BIGINT NOT NULL, seconds DOUBLE NOT NULL);

CREATE TABLE family_stat (
    engine_family VARCHAR PRIMARY KEY,
    captures INTEGER, known_good INTEGER, basis VARCHAR, cylinders INTEGER,
    spread_pct DOUBLE, spread_low DOUBLE, spread_high DOUBLE,
    between_vehicle_pct DOUBLE, within_vehicle_pct DOUBLE, reading_se_pct DOUBLE,
    own_weight DOUBLE,
    drift_pct_per_month DOUBLE, drift_low DOUBLE, drift_high DOUBLE,
    why VARCHAR
);

CREATE TABLE family_pattern (
    engine_family VARCHAR, cylinder INTEGER, pattern_pct DOUBLE, low DOUBLE, high DOUBLE, n INTEGER,
    PRIMARY KEY (engine_family, cylinder)
);

CREATE TABLE score (
    capture_file VARCHAR PRIMARY KEY,
    odd_pct DOUBLE, odd_se_pct DOUBLE, odd_position INTEGER, odd_cylinder INTEGER, odd_companion INTEGER,
    p_value DOUBLE, p_basis VARCHAR, p_floor DOUBLE,
    outlier_score DOUBLE, outlier_p DOUBLE, outlier_model VARCHAR, calibration_n INTEGER,
    reasons VARCHAR                  -- JSON list of {feature, value, usual_low, usual_high, sentence}
);

CREATE TABLE cylinder_score (
    capture_file VARCHAR, firing_position INTEGER, family_pct DOUBLE, deviation_pct DOUBLE,
    PRIMARY KEY (capture_file, firing_position)
);

-- Decisions: versions are only ever added.
CREATE TABLE threshold (
    engine_family VARCHAR NOT NULL,
    version INTEGER NOT NULL,
    threshold_pct DOUBLE NOT NULL,
    set_at TIMESTAMP NOT NULL,
    set_by VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    source VARCHAR NOT NULL,         -- proposed, set
    PRIMARY KEY (engine_family, version)
);

-- A flag keeps the version it was made under; a new version adds rows.
CREATE TABLE flag (
    capture_file VARCHAR NOT NULL,
    threshold_version INTEGER NOT NULL,
    threshold_pct DOUBLE NOT NULL,
    odd_pct DOUBLE NOT NULL,
    flagged BOOLEAN NOT NULL,
    flagged_cylinders INTEGER[],
    flagged_positions INTEGER[],
    made_at TIMESTAMP NOT NULL,
    in_force BOOLEAN NOT NULL        -- false once a later version has re-judged the capture
);
