-- Text that comes again and again (quantities, units, reasons, flags, forms of budgets) stands once, in `word`.
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
-- What a method cost so far, for estimates; the empty name stands for reading and preparing.
CREATE TABLE pace (name TEXT PRIMARY KEY, captures INTEGER NOT NULL, seconds REAL NOT NULL) WITHOUT ROWID;
CREATE TABLE word (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE);

CREATE TABLE dut (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, title TEXT NOT NULL, panel TEXT NOT NULL);
CREATE TABLE condition (
    id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, title TEXT NOT NULL,
    refresh_rate_hz REAL NOT NULL, overdrive TEXT NOT NULL, record TEXT NOT NULL);
-- dut_record: the display as it was in this run, firmware included.
CREATE TABLE run (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, dut INTEGER NOT NULL, dut_record TEXT NOT NULL,
    started_utc TEXT NOT NULL, total INTEGER NOT NULL, captures INTEGER NOT NULL DEFAULT 0, ended INTEGER NOT NULL DEFAULT 0);
CREATE INDEX run_dut ON run (dut, name);

-- A group is one condition of one run. version counts every change of its inputs; coverage names the set of methods
-- (`id@fingerprint`) under which all its figures are up to date (0: none), so that "what is out of date" reads a few index entries.
-- light: digest of what the figures of its step and steady captures depend on besides the capture itself.
CREATE TABLE grp (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL, name TEXT NOT NULL, condition INTEGER NOT NULL, dut INTEGER NOT NULL,
    captures INTEGER NOT NULL DEFAULT 0, step INTEGER NOT NULL DEFAULT 0, steady INTEGER NOT NULL DEFAULT 0,
    trend INTEGER NOT NULL DEFAULT 0, power INTEGER NOT NULL DEFAULT 0, newest TEXT NOT NULL DEFAULT '',
    version INTEGER NOT NULL DEFAULT 0, coverage INTEGER NOT NULL DEFAULT 0,
    light BLOB NOT NULL DEFAULT x'', UNIQUE (run, name));
CREATE INDEX grp_coverage ON grp (coverage, newest, captures, step, steady, trend, power);
CREATE INDEX grp_dut ON grp (dut, condition);
CREATE INDEX grp_condition ON grp (condition, dut);
CREATE TABLE coverage (id INTEGER PRIMARY KEY, members TEXT NOT NULL UNIQUE);
INSERT INTO coverage VALUES (0, '[]');

-- reason: why the file can't be read; such a capture takes no part in any figure.
CREATE TABLE capture (
    id INTEGER PRIMARY KEY, ulid TEXT NOT NULL UNIQUE, grp INTEGER NOT NULL, key TEXT NOT NULL, kind TEXT NOT NULL,
    from_level INTEGER NOT NULL, to_level INTEGER NOT NULL, segments INTEGER NOT NULL, samples INTEGER NOT NULL,
    size_bytes INTEGER NOT NULL, steady_total INTEGER NOT NULL, group_total INTEGER NOT NULL, origin TEXT NOT NULL,
    started_utc TEXT NOT NULL, sha256 BLOB NOT NULL, path TEXT NOT NULL, reason TEXT);
CREATE INDEX capture_grp ON capture (grp, key);
CREATE INDEX capture_reason ON capture (id) WHERE reason IS NOT NULL;

-- Every fingerprint ever met, with the method as it then was. current: the one that its definition has now. Two methods of
-- different names may share a fingerprint.
CREATE TABLE method (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL, fingerprint TEXT NOT NULL, title TEXT NOT NULL, record TEXT NOT NULL,
    current INTEGER NOT NULL DEFAULT 0, since TEXT NOT NULL, UNIQUE (name, fingerprint));
CREATE INDEX method_fingerprint ON method (fingerprint);

-- Raw files that went in besides the capture itself; one row a set.
CREATE TABLE inputs (id INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE, hashes BLOB NOT NULL);

-- All figures of one capture (or of a whole group: capture = 0) under one fingerprint. latest: part of the current view.
CREATE TABLE result (
    id INTEGER PRIMARY KEY, grp INTEGER NOT NULL, capture INTEGER NOT NULL, method INTEGER NOT NULL, inputs INTEGER NOT NULL,
    latest INTEGER NOT NULL, dut INTEGER NOT NULL, failure INTEGER, UNIQUE (grp, capture, method));
CREATE INDEX result_latest ON result (dut, method) WHERE latest = 1;
CREATE INDEX result_method ON result (method, grp);
CREATE INDEX result_failure ON result (id) WHERE failure IS NOT NULL;

-- id = result * 65536 + position, so that the figures of a result lie together. rank: see the table below.
CREATE TABLE measurement (
    id INTEGER PRIMARY KEY, quantity INTEGER NOT NULL, unit INTEGER NOT NULL, from_level INTEGER, to_level INTEGER,
    value REAL, u REAL, dof REAL, expanded REAL, bound INTEGER NOT NULL, flags INTEGER NOT NULL, reason INTEGER NOT NULL,
    repeats INTEGER NOT NULL, rank INTEGER);
CREATE INDEX measurement_rank ON measurement (rank) WHERE rank IS NOT NULL;
-- The numbers of the budget and of the details, packed; form: their names, as JSON in `word`.
CREATE TABLE budget (id INTEGER PRIMARY KEY, form INTEGER NOT NULL, numbers BLOB NOT NULL);
-- What figures of whole groups are ranked by.
CREATE TABLE rank (
    id INTEGER PRIMARY KEY, method INTEGER NOT NULL, quantity INTEGER NOT NULL, condition INTEGER NOT NULL,
    UNIQUE (method, quantity, condition));
