#include "vision/frame_visits.h"

#include <algorithm>
#include <memory>

#include "vision/statistics.h"

namespace conebook::vision {

std::vector<FrameVisit> EvenVisits(const std::vector<std::int64_t>& frames, int most,
                                   const std::function<void(const LumaFrame&)>& take) {
  std::vector<FrameVisit> visits;
  for (const std::size_t k : EvenIndices(frames.size(), static_cast<std::size_t>(most)))
    visits.push_back({frames[k], take});
  return visits;
}

void VisitFrames(const std::string& path, const View& view, const std::vector<FrameVisit>& visits,
                 int threads) {
  if (visits.empty()) return;
  std::vector<const FrameVisit*> ordered;
  for (const FrameVisit& visit : visits) ordered.push_back(&visit);
  std::stable_sort(ordered.begin(), ordered.end(),
                   [](const FrameVisit* a, const FrameVisit* b) { return a->frame < b->frame; });
  FootageOptions options;
  options.threads = threads;
  options.white_level = view.white_level;
  const std::unique_ptr<Footage> footage = OpenFootage(path, options);
  LumaFrame frame;
  std::size_t next = 0;
  while (next < ordered.size() && footage->Next(frame)) {
    while (next < ordered.size() && ordered[next]->frame < frame.index) ++next;
    for (; next < ordered.size() && ordered[next]->frame == frame.index; ++next) ordered[next]->take(frame);
  }
}

}  // namespace conebook::vision
