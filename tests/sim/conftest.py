import pytest


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers", "pure: quick enough to run with WARMHEAP_UNCOMPILED=1 too, which lets coverage see it"
    )
