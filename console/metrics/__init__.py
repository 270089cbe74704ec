"""The page on which a service can be watched: metrics for Prometheus, and health for whoever supervises it."""
