"""The fault campaign: what can go wrong between lifter and computer, done to real processes over a real broker."""
