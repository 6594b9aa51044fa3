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
