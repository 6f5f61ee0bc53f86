"""The look-up ``any_of``: one array parameter on PostgreSQL, where ``in`` writes every value into the SQL."""

from django.db.models import Lookup


class AnyOf(Lookup):
    """``filter(serial__any_of=[…])``: like ``in``, and a thousand values cost what one does to prepare."""

    lookup_name = "any_of"
    prepare_rhs = False

    def get_db_prep_lookup(self, value, connection):
        """Hand the values over as they are: keys and serials."""
        return "%s", [list(value)]

    def as_sql(self, compiler, connection):
        """Write what every database understands."""
        left, params = self.process_lhs(compiler, connection)
        values = list(self.rhs)
        if not values:
            return "1 = 0", []
        return f"{left} IN ({', '.join(['%s'] * len(values))})", [*params, *values]

    def as_postgresql(self, compiler, connection):
        """Write one parameter."""
        left, params = self.process_lhs(compiler, connection)
        return f"{left} = ANY(%s)", [*params, list(self.rhs)]
