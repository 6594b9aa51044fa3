"""The invented studio: its rooms, machines, roles and drives, dealt anew for each seed."""
