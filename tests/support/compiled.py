"""What many tests would compile anew, each for its own engine and app: compiled once a process."""

from __future__ import annotations

from jinja2 import BytecodeCache
from sqlalchemy import create_engine
from sqlalchemy.util import LRUCache
from werkzeug.routing import Rule

MOST = 5_000


def share_compiled_statements(patch):
    """Let all engines of a kind share the SQL that they compile.

    A test asks its own engine little, and compiling that anew took half of the time of all tests
    on a database. Compiled SQL belongs to a dialect, so that is shared with it, once it has spoken
    with a server of its kind.
    """
    dialects, caches = {}, {}

    def make(url, **options):
        name = url.get_backend_name()
        cache = caches.setdefault(name, LRUCache(MOST))
        engine = create_engine(url, execution_options={"compiled_cache": cache}, **options)
        dialect = dialects.setdefault(name, engine.dialect)
        if dialect.server_version_info is None:
            dialects[name] = engine.dialect
        else:
            engine.dialect = dialect
        return engine

    patch.setattr("trialog.records.database.create_engine", make)


def share_compiled_routes(patch):
    """Let all apps share what their routes are read and compiled to: most of what an app costs."""
    parse, compile_builder = Rule._parse_rule, Rule._compile_builder
    read, made = {}, {}

    def parsed(rule, text):
        if text not in read:
            before = len(rule._trace)
            parts = list(parse(rule, text))
            trace = rule._trace[before:]
            named = [name for is_variable, name in trace if is_variable]
            read[text] = parts, trace, {name: rule._converters[name] for name in named}
            return parts
        parts, trace, converters = read[text]
        rule._trace.extend(trace)
        rule._converters.update(converters)
        rule.arguments.update(converters)
        return parts

    def build(rule, append_unknown=True):
        of = (rule.rule, tuple(rule._trace), repr(rule.defaults), append_unknown)
        if of not in made:
            made[of] = compile_builder(rule, append_unknown)
        return made[of]

    patch.setattr(Rule, "_parse_rule", parsed)
    patch.setattr(Rule, "_compile_builder", build)


class CompiledTemplates(BytecodeCache):
    """Templates as they were compiled for the first app: a test looks at few pages of its own."""

    def __init__(self):
        self._code = {}

    def load_bytecode(self, bucket):
        if (code := self._code.get((bucket.key, bucket.checksum))) is not None:
            bucket.bytecode_from_string(code)

    def dump_bytecode(self, bucket):
        self._code[bucket.key, bucket.checksum] = bucket.bytecode_to_string()


COMPILED_TEMPLATES = CompiledTemplates()
