from tests.review.conftest import built_page, findings

__all__ = ["built_page", "findings"]
