"""The fault campaign: faults between lifter and computer, injected into real processes over a real broker."""
