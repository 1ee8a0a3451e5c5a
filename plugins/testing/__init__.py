"""Contracts of the instrument roles: checks on a live instrument, and pytest classes that other packages' drivers inherit.

`checking` runs checks, `digitiser`, `pattern` and `meter` hold those of the roles, `contracts` has the pytest classes:

    from greystep.plugins.testing.contracts import DigitiserContract

    class TestMyScope(DigitiserContract):
        @pytest.fixture
        def instrument(self):
            scope = MyScope.open(MySettings(...), lambda *entry: None)
            yield scope
            scope.close()
"""
