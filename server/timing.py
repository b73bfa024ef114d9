"""How long things take: medians for the page, histograms and counters for Prometheus."""

from __future__ import annotations

import threading
from collections import defaultdict, deque

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest

RECENT = 600
STAGES = ("render", "encode", "decode", "message_to_picture", "control_to_picture")
BUCKETS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.04, 0.08, 0.15, 0.3, 0.6, 1.2, 2.5, 5.0)


class Timing:
    """Collected figures of one service; safe to call from any thread."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._recent: defaultdict[str, deque[float]] = defaultdict(lambda: deque(maxlen=RECENT))
        self._lock = threading.Lock()
        seconds = Histogram(
            "verdigris_seconds",
            "time spent, by stage",
            ["stage"],
            buckets=BUCKETS,
            registry=self.registry,
        )
        self._seconds = {stage: seconds.labels(stage) for stage in STAGES}
        self.pictures = Counter(
            "verdigris_pictures", "pictures sent", ["quality"], registry=self.registry
        )
        self.sent_bytes = Counter(
            "verdigris_sent_bytes", "bytes of pictures sent", registry=self.registry
        )
        self.renders = Counter("verdigris_renders", "pictures made", registry=self.registry)
        self.lost = Counter(
            "verdigris_acks_lost", "acknowledgements that never came", registry=self.registry
        )
        self.writes = Counter(
            "verdigris_writes", "recipe writes", ["outcome"], registry=self.registry
        )
        self.refused = Counter(
            "verdigris_requests_refused", "requests refused", ["reason"], registry=self.registry
        )
        self.failures = Counter(
            "verdigris_failures", "work that failed", ["kind"], registry=self.registry
        )
        self.clients = Gauge(
            "verdigris_clients", "connected pages", ["role"], registry=self.registry
        )
        self.store_bytes = Gauge(
            "verdigris_store_bytes", "decoded frames held", ["tier"], registry=self.registry
        )

    def add(self, stage: str, seconds: float) -> None:
        """Note how long a stage took."""
        self._seconds[stage].observe(seconds)
        with self._lock:
            self._recent[stage].append(seconds)

    def milliseconds(self) -> dict[str, float]:
        """Return the median of late, in milliseconds, of every stage seen."""
        with self._lock:
            return {
                stage: round(1000 * percentile(list(values), 50), 2)
                for stage, values in self._recent.items()
                if values
            }

    def milliseconds_of(self, stage: str) -> float:
        """Return the median of late of one stage; 0 when it was not seen yet."""
        with self._lock:
            values = list(self._recent[stage])
        return 1000 * percentile(values, 50) if values else 0.0

    def seconds_of(self, stage: str) -> list[float]:
        """Return the latest figures of a stage."""
        with self._lock:
            return list(self._recent[stage])

    def text(self) -> bytes:
        """Return everything in Prometheus' text form."""
        return generate_latest(self.registry)


def percentile(values: list[float], percent: float) -> float:
    """Return the nearest-rank percentile of values (not empty)."""
    ordered = sorted(values)
    rank = max(1, -(-len(ordered) * percent // 100))
    return ordered[int(rank) - 1]
