// An experiment: forms that send readings, and recent exposures as buttons.
import "./forms.js";
import "./picks.js";
