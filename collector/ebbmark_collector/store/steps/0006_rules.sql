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
