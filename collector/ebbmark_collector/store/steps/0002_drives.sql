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
