"""What several tests share: small arms built by hand, and the same arms in outside libraries."""
