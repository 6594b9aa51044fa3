"""What the studio's agents say day by day, as real report documents."""
