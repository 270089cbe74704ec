"""Who may use the page: people and roles, logins, limited tries, and the gate through which every request passes."""
