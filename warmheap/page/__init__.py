"""The process that shows the greenhouse to the world outside: status page, metrics, MQTT. It decides nothing."""

UNABLE = 3  # exit code: it said why, and trying again soon would not help
