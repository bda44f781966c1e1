"""The room check: is this room good enough to dictate in?"""
