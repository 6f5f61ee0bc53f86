{% load i18n %}{% get_current_language as language %}{% autoescape off %}/* Which files the phone keeps, and their version. The logic is in a file of its own. */
self.TAPWARD = { version: "{{ version }}", start: "{{ start }}", shell: [{% for file in files %}"{{ file }}"{% if not forloop.last %}, {% endif %}{% endfor %}] };
self.TAPWARD.words = {
  lang: "{{ language }}",
  notSent: "{% filter escapejs %}{% translate "Not sent yet" %}{% endfilter %}",
  nothingSent: "{% filter escapejs %}{% translate "No signal, nothing sent yet" %}{% endfilter %}",
  stands: "{% filter escapejs %}{% translate "Everything you typed stands in this page. Leave it open, go where there is signal and press the button." %}{% endfilter %}",
  sendNow: "{% filter escapejs %}{% translate "Send it now" %}{% endfilter %}",
  photos: "{% filter escapejs %}{% translate "Photos have to be chosen again afterwards: ring the office about them." %}{% endfilter %}",
  noSignal: "{% filter escapejs %}{% translate "No signal" %}{% endfilter %}",
  day: "{% filter escapejs %}{% translate "My day" %}{% endfilter %}",
  notHere: "{% filter escapejs %}{% translate "This page is not on the phone yet. Open your day once where there is signal; after that it opens anywhere." %}{% endfilter %}",
};
importScripts("{{ logic }}");
{% endautoescape %}
