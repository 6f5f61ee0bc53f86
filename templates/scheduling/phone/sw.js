{% autoescape off %}/* Which files the phone keeps, and their version. The logic is in a file of its own. */
self.TAPWARD = { version: "{{ version }}", start: "{{ start }}", shell: [{% for file in files %}"{{ file }}"{% if not forloop.last %}, {% endif %}{% endfor %}] };
importScripts("{{ logic }}");
{% endautoescape %}
