"""Tables, figures and the page. pandas, seaborn and jinja2 live only here."""
