const SHELL = "{{ base|escapejs }}tablet/";
const FILES = [{% for file in files %}"{{ file|escapejs }}"{% if not forloop.last %}, {% endif %}{% endfor %}];
const KEPT = "studylab-tablet-{{ version }}";
importScripts("{{ code|escapejs }}");
