CREATE INDEX drives_by_floor ON drives (floor_bytes_per_s, drive_id);
{DRIVE_LISTS}
