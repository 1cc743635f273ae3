"""Notices to people outside, by e-mail and to a webhook: a shift closed, a verdict changed."""

from trialog.notices.delivering import Post, deliver_due, settle_unset, try_again
from trialog.notices.listing import NoticeLine, count_undelivered, left_untried, list_notices
from trialog.notices.settings import NAMES, NoticeSettings, read_notice_settings
from trialog.notices.telling import ask_for_test, tell_verdicts
from trialog.notices.worker import sending

__all__ = [
    "NAMES",
    "NoticeLine",
    "NoticeSettings",
    "Post",
    "ask_for_test",
    "count_undelivered",
    "deliver_due",
    "left_untried",
    "list_notices",
    "read_notice_settings",
    "sending",
    "settle_unset",
    "tell_verdicts",
    "try_again",
]
