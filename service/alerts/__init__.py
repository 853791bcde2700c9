"""Alerts as people deal with them: raised, acknowledged, shelved, returned to normal."""
