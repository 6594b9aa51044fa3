CREATE TABLE standings (
  drive_id {T} NOT NULL,
  at_ms {I} NOT NULL,
  standing {T} NOT NULL,
  role {T},
  floor_bytes_per_s {F},
  demand_bytes_per_s {F},
  why {T} NOT NULL,
  standing_json {T} NOT NULL,
  PRIMARY KEY (drive_id, at_ms)
) {KEYED};
CREATE TABLE alerts (
  alert_id {T} PRIMARY KEY,
  drive_id {T},
  host_id {T},
  subject_id {T} NOT NULL,
  condition {T} NOT NULL,
  phase {T} NOT NULL,
  severity {T} NOT NULL,
  severity_order {I} NOT NULL,
  is_open {I} NOT NULL CHECK (is_open IN (0, 1)),
  is_pending {I} NOT NULL CHECK (is_pending IN (0, 1)),
  raised_ms {I},
  changed_ms {I} NOT NULL,
  cleared_ms {I},
  cleared_because {T},
  times_raised {I} NOT NULL,
  acknowledged_by {T},
  acknowledged_ms {I},
  shelved_until_ms {I},
  fresh {I} NOT NULL,
  headline {T} NOT NULL,
  cause {T},
  next_step {T} NOT NULL,
  act_by_ms {I},
  state_json {T} NOT NULL,
  rev {I} NOT NULL DEFAULT 1
) {TABLE};
CREATE UNIQUE INDEX alerts_one ON alerts (subject_id, condition);
CREATE INDEX alerts_by_change ON alerts (changed_ms, alert_id);
CREATE INDEX alerts_by_subject ON alerts (subject_id, changed_ms);
CREATE INDEX alerts_open ON alerts (is_open, severity_order, alert_id);
CREATE INDEX alerts_moving ON alerts (subject_id) WHERE is_pending = 1;
CREATE TABLE alert_transitions (
  alert_id {T} NOT NULL,
  number {I} NOT NULL,
  at_ms {I} NOT NULL,
  event {T} NOT NULL,
  severity {T} NOT NULL,
  done_by {T},
  why {T},
  transition_json {T} NOT NULL,
  notify {I} NOT NULL CHECK (notify IN (0, 1)),
  dispatched_ms {I},
  PRIMARY KEY (alert_id, number)
) {KEYED};
CREATE INDEX transitions_to_tell ON alert_transitions (at_ms) WHERE notify = 1 AND dispatched_ms IS NULL;
CREATE TABLE incidents (
  incident_id {T} PRIMARY KEY,
  drive_id {T} NOT NULL,
  happened_ms {I} NOT NULL,
  reported_ms {I} NOT NULL,
  reported_by {T} NOT NULL,
  recorder {T},
  recording_format {T},
  sentence {T} NOT NULL
) {TABLE};
CREATE INDEX incidents_by_drive ON incidents (drive_id, happened_ms)
