-- The first tables. The text is plain SQL that SQLite and PostgreSQL share;
-- the words in double braces are what they write differently.
--
-- Times are nanoseconds since 1970-01-01 UTC, hashes the 32 bytes of SHA-256.
-- Paths are bytes, because file systems do not promise text.

-- Frames of one instrument, detector, mode, band and kind.
CREATE TABLE series (
	{{key}},
	instrument TEXT NOT NULL,
	detector   TEXT NOT NULL,
	mode       TEXT NOT NULL,
	band       TEXT NOT NULL,
	kind       TEXT NOT NULL,
	UNIQUE (instrument, detector, mode, band, kind)
);

-- A raw file, known by its content. A failure is that of the file as a whole.
CREATE TABLE frame (
	{{key}},
	sha256    BYTEA NOT NULL UNIQUE CHECK (length(sha256) = 32),
	name      BYTEA NOT NULL,
	path      BYTEA NOT NULL,
	bytes     BIGINT NOT NULL,
	seen_at   BIGINT,
	failed_id BYTEA CHECK (length(failed_id) = 32),
	failure   TEXT NOT NULL
);
CREATE INDEX frame_failed ON frame (key) WHERE failure <> '';

-- Where a file lies, a raw frame or a master, and what was last known of it.
-- sha256 is null while it was not read.
CREATE TABLE place (
	folder   BYTEA NOT NULL,
	name     BYTEA NOT NULL,
	stamp    TEXT NOT NULL,
	sha256   BYTEA CHECK (length(sha256) = 32),
	since_at BIGINT,
	PRIMARY KEY (folder, name)
) {{by_primary_key}};
CREATE INDEX place_content ON place (sha256);

-- When a frame that was not known before was last seen.
CREATE TABLE arrival (
	instrument TEXT PRIMARY KEY,
	seen_at    BIGINT NOT NULL
);

-- What one detector, or one plane of a cube, saw in a raw file.
CREATE TABLE part (
	{{key}},
	frame     BIGINT NOT NULL REFERENCES frame (key),
	detector  TEXT NOT NULL,
	plane     BIGINT NOT NULL,
	series    BIGINT NOT NULL REFERENCES series (key),
	begin_at  BIGINT NOT NULL,
	temp_k    DOUBLE PRECISION,
	failed_id BYTEA CHECK (length(failed_id) = 32),
	failure   TEXT NOT NULL DEFAULT '',
	UNIQUE (frame, detector, plane)
);
CREATE INDEX part_in_time ON part (series, begin_at);
CREATE INDEX part_failed ON part (frame) WHERE failure <> '';

CREATE TABLE recipe (
	{{key}},
	hash    BYTEA NOT NULL UNIQUE CHECK (length(hash) = 32),
	profile BYTEA NOT NULL CHECK (length(profile) = 32),
	version TEXT NOT NULL,
	text    TEXT NOT NULL
);

CREATE TABLE master (
	{{key}},
	sha256     BYTEA NOT NULL UNIQUE CHECK (length(sha256) = 32),
	id         BYTEA CHECK (length(id) = 32),
	kind       TEXT NOT NULL,
	instrument TEXT NOT NULL,
	detector   TEXT NOT NULL,
	mode       TEXT NOT NULL,
	band       TEXT NOT NULL,
	begin_at   BIGINT NOT NULL,
	end_at     BIGINT NOT NULL,
	temp_min_k DOUBLE PRECISION,
	temp_max_k DOUBLE PRECISION,
	frames     BIGINT NOT NULL,
	path       BYTEA NOT NULL,
	state      TEXT NOT NULL CHECK (state IN ('current', 'superseded', 'replaced', 'missing'))
);

-- Masters and other inputs that products have in common: hundreds of frames
-- share one set, so a product costs one number and not a row for each input.
CREATE TABLE input_set (
	{{key}},
	hash BYTEA NOT NULL UNIQUE CHECK (length(hash) = 32)
);
CREATE TABLE input_set_member (
	input_set BIGINT NOT NULL REFERENCES input_set (key),
	role      TEXT NOT NULL,
	sha256    BYTEA NOT NULL CHECK (length(sha256) = 32),
	PRIMARY KEY (input_set, role, sha256)
) {{by_primary_key}};
CREATE INDEX input_set_member_content ON input_set_member (sha256);

CREATE TABLE run (
	{{key}},
	what       TEXT NOT NULL,
	owner      TEXT NOT NULL,
	host       TEXT NOT NULL,
	started_at BIGINT NOT NULL,
	ended_at   BIGINT,
	found      BIGINT NOT NULL DEFAULT 0,
	done       BIGINT NOT NULL DEFAULT 0,
	skipped    BIGINT NOT NULL DEFAULT 0,
	failed     BIGINT NOT NULL DEFAULT 0,
	warned     BIGINT NOT NULL DEFAULT 0,
	outcome    TEXT NOT NULL DEFAULT ''
);
CREATE INDEX run_in_time ON run (started_at);

-- part is null for a product of several raw files; its set then holds them.
CREATE TABLE product (
	{{key}},
	id        BYTEA NOT NULL UNIQUE CHECK (length(id) = 32),
	part      BIGINT REFERENCES part (key),
	what      TEXT NOT NULL,
	detector  TEXT NOT NULL,
	plane     BIGINT NOT NULL,
	recipe    BIGINT NOT NULL REFERENCES recipe (key),
	input_set BIGINT NOT NULL REFERENCES input_set (key),
	algorithm TEXT NOT NULL,
	path      BYTEA NOT NULL,
	sha256    BYTEA NOT NULL CHECK (length(sha256) = 32),
	bytes     BIGINT NOT NULL,
	made_at   BIGINT,
	took_ns   BIGINT NOT NULL,
	state     TEXT NOT NULL CHECK (state IN ('current', 'superseded', 'replaced', 'missing')),
	run       BIGINT REFERENCES run (key)
);
CREATE UNIQUE INDEX product_current ON product (part, what) WHERE state = 'current';
CREATE INDEX product_past ON product (part, state) WHERE state <> 'current';
CREATE INDEX product_path ON product (path);
CREATE INDEX product_inputs ON product (input_set);

-- value is null where it is not a number.
CREATE TABLE metric (
	product BIGINT NOT NULL REFERENCES product (key),
	name    TEXT NOT NULL,
	value   DOUBLE PRECISION,
	PRIMARY KEY (product, name)
) {{by_primary_key}};

CREATE TABLE alert (
	{{key}},
	rule       TEXT NOT NULL,
	subject    TEXT NOT NULL,
	message    TEXT NOT NULL,
	first_at   BIGINT NOT NULL,
	last_at    BIGINT NOT NULL,
	told_at    BIGINT,
	cleared_at BIGINT
);
CREATE UNIQUE INDEX alert_raised ON alert (rule, subject) WHERE cleared_at IS NULL;
CREATE INDEX alert_history ON alert (rule, subject, first_at);

-- Messages that wait to be sent. A key is never used again, so that whoever
-- sent one does not take another away.
CREATE TABLE post (
	{{lasting_key}},
	body      TEXT NOT NULL,
	queued_at BIGINT NOT NULL
);
