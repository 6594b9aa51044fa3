"""The tables, once for both engines: forward-only steps that each only add.

`{I} {F} {T} {B}` are integer, float, text and bytes; `{TABLE}` ends a table, `{KEYED}` one stored by its
key, which suits short rows only, `{MONTHLY}` one that PostgreSQL keeps in a part a month. Text sorts by code
point on both engines, so pages and their cursors are the same on both.
"""

from typing import Any

import sqlite_utils
from sqlite_utils import Migrations

SQLITE = {
    "I": "INTEGER",
    "F": "REAL",
    "T": "TEXT",
    "B": "BLOB",
    "TABLE": "STRICT",
    "KEYED": "STRICT, WITHOUT ROWID",
    "MONTHLY": "STRICT",
}
POSTGRES = {
    "I": "BIGINT",
    "F": "DOUBLE PRECISION",
    "T": 'TEXT COLLATE "C"',
    "B": "BYTEA",
    "TABLE": "",
    "KEYED": "",
    # Months become partitions as they come, see partitions.py; what has none yet is in the rest.
    "MONTHLY": "PARTITION BY RANGE (made_ms);\nCREATE TABLE reports_rest PARTITION OF reports DEFAULT",
}

_HOSTS = """
CREATE TABLE hosts (
  host_id {T} PRIMARY KEY,
  name {T} NOT NULL,
  system {T} NOT NULL,
  machine_key {T},
  state {T} NOT NULL,
  presence {T} NOT NULL,
  agent_version {T},
  enrolled_ms {I} NOT NULL,
  last_report_ms {I},
  last_sequence {I},
  clock_offset_s {F},
  writes_allowed {I} NOT NULL DEFAULT 0 CHECK (writes_allowed IN (0, 1)),
  probing_enabled {I} NOT NULL DEFAULT 0 CHECK (probing_enabled IN (0, 1)),
  show_mode {I} NOT NULL DEFAULT 0 CHECK (show_mode IN (0, 1)),
  on_air {I} NOT NULL DEFAULT 0 CHECK (on_air IN (0, 1)),
  probe_hours_json {T} NOT NULL DEFAULT '[]',
  status_json {T},
  inventory_json {T},
  notes {T},
  warned_json {T} NOT NULL DEFAULT '[]',
  rev {I} NOT NULL DEFAULT 1
) {TABLE};
CREATE INDEX hosts_by_name ON hosts (name, host_id);
CREATE INDEX hosts_by_machine ON hosts (machine_key);
CREATE INDEX hosts_by_report ON hosts (last_report_ms)
"""

_DRIVES = """
CREATE TABLE drives (
  drive_id {T} PRIMARY KEY,
  kind {T} NOT NULL,
  confidence {T} NOT NULL,
  model {T},
  firmware {T},
  serial {T},
  wwn {T},
  capacity_bytes {I},
  rotational {I},
  trim {I},
  removable {I} NOT NULL DEFAULT 0,
  system_drive {I} NOT NULL DEFAULT 0,
  host_id {T},
  ref {T},
  bus {T},
  path_key {T},
  path_json {T},
  volumes_json {T} NOT NULL DEFAULT '[]',
  members_json {T} NOT NULL DEFAULT '[]',
  first_seen_ms {I} NOT NULL,
  last_seen_ms {I} NOT NULL,
  inventory_ms {I},
  label {T},
  asset_tag {T},
  place {T},
  kit {T},
  presence {T} NOT NULL,
  rated_endurance_bytes {I},
  notes {T},
  retired_ms {I},
  retired_why {T},
  role {T},
  role_since_ms {I},
  assignment_id {T},
  standing {T} NOT NULL DEFAULT 'unproven',
  standing_since_ms {I},
  standing_json {T},
  floor_bytes_per_s {F},
  demand_bytes_per_s {F},
  evidence_ms {I},
  valid_until_ms {I},
  last_probe_ms {I},
  last_health_ms {I},
  health_json {T},
  temperature_c {F},
  percentage_used {I},
  written_bytes {I},
  spot_floor_bytes_per_s {F},
  soak_floor_bytes_per_s {F},
  soak_cliff_bytes {F},
  last_spot_ms {I},
  last_soak_ms {I},
  open_alerts {I} NOT NULL DEFAULT 0,
  worst_severity {I} NOT NULL DEFAULT 0,
  outlook_json {T},
  cohort_json {T},
  likely_ms {I},
  likely_limit {T},
  causes_json {T},
  consent_json {T},
  no_safe_moment_ms {I},
  erased_ms {I},
  judged_ms {I},
  fits_key {T},
  look_again {I} NOT NULL DEFAULT 0,
  rev {I} NOT NULL DEFAULT 1
) {TABLE};
CREATE INDEX drives_by_host ON drives (host_id, drive_id);
CREATE INDEX drives_by_standing ON drives (standing, drive_id);
CREATE INDEX drives_by_model ON drives (model, drive_id);
CREATE INDEX drives_by_judged ON drives (judged_ms, drive_id);
CREATE INDEX drives_by_urgency ON drives (
  (worst_severity * 10 + CASE standing WHEN 'unfit' THEN 3 WHEN 'marginal' THEN 2 WHEN 'unproven' THEN 1
                                       ELSE 0 END), drive_id);
CREATE INDEX drives_counted ON drives (standing, role, retired_ms);
CREATE INDEX drives_by_kit ON drives (kit, drive_id);
CREATE INDEX drives_by_likely ON drives (likely_ms, drive_id);
CREATE UNIQUE INDEX drives_by_asset ON drives (asset_tag) WHERE asset_tag IS NOT NULL AND retired_ms IS NULL;
CREATE INDEX drives_to_look_at ON drives (drive_id) WHERE look_again = 1;
CREATE TABLE drive_claims (
  drive_id {T} NOT NULL,
  host_id {T} NOT NULL,
  since_ms {I} NOT NULL,
  last_ms {I} NOT NULL,
  gone_ms {I},
  PRIMARY KEY (drive_id, host_id)
) {KEYED};
CREATE INDEX drive_claims_by_host ON drive_claims (host_id);
CREATE TABLE drive_names (
  name {T} PRIMARY KEY,
  drive_id {T} NOT NULL REFERENCES drives (drive_id),
  since_ms {I} NOT NULL
) {KEYED};
CREATE INDEX drive_names_by_drive ON drive_names (drive_id)
"""

_REPORTS = """
CREATE TABLE report_ids (
  report_id {T} PRIMARY KEY,
  subject_id {T} NOT NULL,
  made_ms {I} NOT NULL
) {KEYED};
CREATE TABLE reports (
  subject_id {T} NOT NULL,
  made_ms {I} NOT NULL,
  report_id {T} NOT NULL,
  kind {T} NOT NULL,
  host_id {T} NOT NULL,
  received_ms {I} NOT NULL,
  sequence {I} NOT NULL,
  wire_version {I} NOT NULL,
  document {B} NOT NULL,
  PRIMARY KEY (subject_id, made_ms, report_id)
) {MONTHLY};
CREATE TABLE report_days (
  subject_id {T} NOT NULL,
  day {I} NOT NULL,
  documents {B} NOT NULL,
  PRIMARY KEY (subject_id, day)
) {TABLE};
CREATE TABLE health_days (
  drive_id {T} NOT NULL,
  day {I} NOT NULL,
  read_ms {I} NOT NULL,
  state {T} NOT NULL,
  temperature_c {F},
  hottest_c {F},
  percentage_used {I},
  available_spare_percent {I},
  written_bytes {I},
  power_on_hours {I},
  media_errors {I},
  reallocated_sectors {I},
  pending_sectors {I},
  uncorrectable_errors {I},
  interface_crc_errors {I},
  reading {B},
  readings {I} NOT NULL,
  PRIMARY KEY (drive_id, day)
) {KEYED}
"""

_PROBES = """
CREATE TABLE probes (
  drive_id {T} NOT NULL,
  started_ms {I} NOT NULL,
  probe_id {T} NOT NULL,
  report_id {T} NOT NULL,
  made_ms {I} NOT NULL,
  host_id {T} NOT NULL,
  volume_id {T},
  kind {T} NOT NULL,
  outcome {T} NOT NULL,
  duration_s {F} NOT NULL,
  bytes_written {I} NOT NULL,
  read_back_ok {I},
  path_key {T} NOT NULL,
  layout {T} NOT NULL,
  file_system {T} NOT NULL,
  fill_start {F},
  fill_end {F},
  rest_before_s {F},
  temperature_start_c {F},
  temperature_hottest_c {F},
  floor_bytes_per_s {F},
  mean_bytes_per_s {F},
  lasting_bytes_per_s {F},
  gave_way_to {T},
  by_hand {I} NOT NULL DEFAULT 0,
  waited_for_data_s {F} NOT NULL DEFAULT 0,
  fault_sentence {T},
  discard {T} NOT NULL,
  space_returned {I},
  settled {I},
  cliff_at_bytes {F},
  cliff_floor_bytes_per_s {F},
  spread {F},
  longest_stall_s {F},
  stall_count {I},
  pattern {T},
  path_limited {I} NOT NULL DEFAULT 0,
  standing {T},
  fit_key {T},
  fit_json {B},
  trace_kept {I} NOT NULL DEFAULT 1,
  result_json {B} NOT NULL,
  figures {B},
  PRIMARY KEY (drive_id, started_ms, probe_id)
) {KEYED};
CREATE UNIQUE INDEX probes_by_id ON probes (probe_id);
CREATE INDEX probes_to_judge ON probes (drive_id) WHERE fit_key IS NULL;
CREATE INDEX probes_not_spots ON probes (drive_id, started_ms) WHERE kind <> 'spot';
CREATE INDEX spots_with_trace ON probes (started_ms) WHERE kind = 'spot' AND trace_kept = 1;
CREATE TABLE old_spots (
  drive_id {T} NOT NULL,
  started_ms {I} NOT NULL,
  floor_bytes_per_s {F},
  lasting_bytes_per_s {F},
  mean_bytes_per_s {F},
  spread {F},
  PRIMARY KEY (drive_id, started_ms)
) {KEYED};
CREATE TABLE takes (
  drive_id {T} NOT NULL,
  started_ms {I} NOT NULL,
  take_id {T} NOT NULL,
  report_id {T} NOT NULL,
  host_id {T} NOT NULL,
  duration_s {F} NOT NULL,
  written_bytes {I} NOT NULL,
  mean_bytes_per_s {F} NOT NULL,
  peak_bytes_per_s {F} NOT NULL,
  busy_share {F},
  saturated {I} NOT NULL,
  saturated_floor_bytes_per_s {F},
  path_key {T} NOT NULL,
  take_json {T} NOT NULL,
  PRIMARY KEY (drive_id, started_ms, take_id)
) {KEYED};
CREATE TABLE findings (
  drive_id {T} NOT NULL,
  found_ms {I} NOT NULL,
  report_id {T} NOT NULL,
  host_id {T} NOT NULL,
  code {T} NOT NULL,
  finding_json {T} NOT NULL,
  PRIMARY KEY (drive_id, found_ms, report_id)
) {KEYED}
"""

_JUDGEMENT = """
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
"""

_RULES = """
CREATE TABLE roles (
  name {T} PRIMARY KEY,
  origin {T} NOT NULL,
  document {T} NOT NULL,
  changed_ms {I} NOT NULL,
  rev {I} NOT NULL DEFAULT 1
) {TABLE};
CREATE TABLE assignments (
  assignment_id {T} PRIMARY KEY,
  place_in_order {I} NOT NULL,
  matched_by {T} NOT NULL,
  pattern {T} NOT NULL,
  role {T} NOT NULL,
  note {T},
  created_ms {I} NOT NULL,
  rev {I} NOT NULL DEFAULT 1
) {TABLE};
CREATE TABLE holds (
  hold_id {T} PRIMARY KEY,
  host_pattern {T} NOT NULL,
  starts_ms {I} NOT NULL,
  ends_ms {I} NOT NULL,
  reason {T} NOT NULL,
  created_by {T} NOT NULL,
  created_ms {I} NOT NULL,
  ended_early_ms {I},
  rev {I} NOT NULL DEFAULT 1
) {TABLE};
CREATE INDEX holds_by_end ON holds (ends_ms);
CREATE TABLE hold_receipts (
  hold_id {T} NOT NULL,
  host_id {T} NOT NULL,
  confirmed_ms {I} NOT NULL,
  PRIMARY KEY (hold_id, host_id)
) {KEYED};
CREATE TABLE probe_orders (
  order_id {T} PRIMARY KEY,
  drive_id {T} NOT NULL,
  kind {T} NOT NULL,
  not_before_ms {I} NOT NULL,
  ends_ms {I} NOT NULL,
  max_bytes {I} NOT NULL,
  created_by {T} NOT NULL,
  created_ms {I} NOT NULL,
  withdrawn_ms {I},
  done_ms {I},
  probe_id {T}
) {TABLE};
CREATE INDEX probe_orders_by_drive ON probe_orders (drive_id, ends_ms)
"""

_ACCESS = """
CREATE TABLE tokens (
  token_id {T} PRIMARY KEY,
  scope {T} NOT NULL,
  hash {B} NOT NULL,
  label {T} NOT NULL,
  host_id {T},
  created_ms {I} NOT NULL,
  created_by {T} NOT NULL,
  expires_ms {I},
  revoked_ms {I},
  last_used_ms {I},
  replaced_by {T}
) {TABLE};
CREATE INDEX tokens_by_host ON tokens (host_id);
CREATE TABLE enrol_tokens (
  token_id {T} PRIMARY KEY,
  hash {B} NOT NULL,
  label {T} NOT NULL,
  quota {I} NOT NULL,
  used {I} NOT NULL DEFAULT 0,
  network {T},
  approval_needed {I} NOT NULL DEFAULT 0,
  created_ms {I} NOT NULL,
  created_by {T} NOT NULL,
  expires_ms {I} NOT NULL,
  revoked_ms {I}
) {TABLE};
CREATE TABLE enrolments (
  enrolment_id {T} PRIMARY KEY,
  token_id {T} NOT NULL,
  machine_key {T} NOT NULL,
  host_name {T} NOT NULL,
  system {T} NOT NULL,
  address {T} NOT NULL,
  state {T} NOT NULL,
  asked_ms {I} NOT NULL,
  decided_ms {I},
  decided_by {T},
  host_id {T},
  warning {T}
) {TABLE};
CREATE UNIQUE INDEX enrolments_one ON enrolments (token_id, machine_key, host_name);
CREATE INDEX enrolments_by_state ON enrolments (state, asked_ms);
CREATE TABLE audit (
  audit_id {T} PRIMARY KEY,
  at_ms {I} NOT NULL,
  who {T} NOT NULL,
  action {T} NOT NULL,
  subject {T} NOT NULL,
  detail_json {T} NOT NULL
) {TABLE};
CREATE INDEX audit_by_time ON audit (at_ms, audit_id);
CREATE TABLE idempotency (
  token_id {T} NOT NULL,
  idempotency_key {T} NOT NULL,
  request_hash {B} NOT NULL,
  started_ms {I} NOT NULL,
  status {I},
  headers_json {T},
  body {B},
  PRIMARY KEY (token_id, idempotency_key)
) {KEYED};
CREATE INDEX idempotency_by_time ON idempotency (started_ms);
CREATE TABLE leases (
  name {T} PRIMARY KEY,
  owner {T} NOT NULL,
  until_ms {I} NOT NULL
) {TABLE};
CREATE TABLE settings (
  name {T} PRIMARY KEY,
  value_json {T} NOT NULL,
  rev {I} NOT NULL DEFAULT 1
) {TABLE}
"""

_OUTBOX = """
CREATE TABLE outbox (
  message_id {T} PRIMARY KEY,
  target {T} NOT NULL,
  channel {T} NOT NULL,
  in_digest {I} NOT NULL CHECK (in_digest IN (0, 1)),
  body {T} NOT NULL,
  made_ms {I} NOT NULL,
  next_ms {I} NOT NULL,
  tries {I} NOT NULL DEFAULT 0,
  delivered_ms {I},
  given_up_ms {I},
  sentence {T} NOT NULL DEFAULT ''
) {TABLE};
CREATE INDEX outbox_by_made ON outbox (made_ms, message_id);
CREATE INDEX outbox_waiting ON outbox (next_ms) WHERE delivered_ms IS NULL AND given_up_ms IS NULL
"""

STEPS: tuple[tuple[str, str], ...] = (
    ("0001_hosts", _HOSTS),
    ("0002_drives", _DRIVES),
    ("0003_reports", _REPORTS),
    ("0004_probes", _PROBES),
    ("0005_judgement", _JUDGEMENT),
    ("0006_rules", _RULES),
    ("0007_access", _ACCESS),
    ("0008_outbox", _OUTBOX),
)


def statements(text: str, words: dict[str, str]) -> list[str]:
    """Give a step's statements with the engine's words put in."""
    for mark, word in words.items():
        text = text.replace(f"{{{mark}}}", word)
    return [part.strip() for part in text.split(";\n") if part.strip()]


def sqlite_steps() -> Migrations:
    """Give the steps as sqlite-utils migrations, to be applied inside one BEGIN IMMEDIATE."""
    migrations = Migrations("ebbmark")
    for name, text in STEPS:

        def step(db: sqlite_utils.Database, text: str = text) -> None:
            for statement in statements(text, SQLITE):
                db.execute(statement)

        register: Any = migrations(name=name)
        register(step)
    return migrations
