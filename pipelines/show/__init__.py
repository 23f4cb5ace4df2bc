"""What the user reads: how far it is, what was found, what went wrong.

In: findings folders and the results of runs. Out: words and tables on the terminal, an overview as page and workbook.
"""
