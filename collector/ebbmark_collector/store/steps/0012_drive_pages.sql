CREATE INDEX drives_by_floor ON drives (floor_bytes_per_s, drive_id);
CREATE INDEX drives_searched ON drives (host_id, label, asset_tag, model, serial, place, drive_id);
{SEEN}
