"""What a site and a centre have to do with each other: gathering reports, sending recordings."""
