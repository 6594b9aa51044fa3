ALTER TABLE drives ADD COLUMN soak_every_days {F};
ALTER TABLE drives ADD COLUMN soak_sooner_why {T}
