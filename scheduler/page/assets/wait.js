// Looks again whether the work is done. Without this script the page loads itself
// again, too.
"use strict";
setTimeout(() => location.reload(), 1500);
