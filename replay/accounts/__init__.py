"""Who may use a team's dashboard, and as what."""

from replay.accounts.users import Role, User, Users

__all__ = ["Role", "User", "Users"]
