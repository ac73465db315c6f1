#include "vision/below_sheet.h"

#include <memory>
#include <utility>

#include "vision/drops_below_sheet.h"
#include "vision/frame_visits.h"
#include "vision/ligament_share.h"
#include "vision/mist_share.h"

namespace conebook::vision {

std::vector<BelowSheetResult> ReadBelowSheet(const std::string& path, const View& view,
                                             const std::vector<BelowSheetRequest>& requests, int threads) {
  // Neighbouring frames of fast footage show the same drops: the first second and a half serves, or all.
  constexpr double kSpanSeconds = 1.5;
  constexpr std::size_t kFewest = 48;
  std::vector<std::unique_ptr<GrainReader>> grains;
  std::vector<std::unique_ptr<MistReader>> mists;
  std::vector<std::unique_ptr<LigamentReader>> ligaments;
  std::vector<std::unique_ptr<EvennessReader>> evenness;
  std::vector<std::unique_ptr<DropsBelowReader>> drops;
  std::vector<FrameVisit> visits;
  for (const BelowSheetRequest& request : requests) {
    ShadowRequest shadow{request.model, {}, request.breakup_px};
    for (std::size_t k = 0; k < request.frames.size(); ++k) {
      const bool late = request.time_s[k] > request.time_s.front() + kSpanSeconds;
      if (!late || shadow.frames.size() < kFewest) shadow.frames.push_back(request.frames[k]);
    }
    EvennessRequest even{request.model,      request.side,      request.frames,
                         request.breakup_px, request.px_per_mm, request.u_px_per_mm};
    mists.push_back(std::make_unique<MistReader>(shadow, MistOptions{}));
    ligaments.push_back(std::make_unique<LigamentReader>(shadow, LigamentOptions{}));
    grains.push_back(std::make_unique<GrainReader>(std::move(shadow), GrainOptions{}));
    evenness.push_back(std::make_unique<EvennessReader>(std::move(even), EvennessOptions{}));
    drops.push_back(
        std::make_unique<DropsBelowReader>(DropsBelowRequest{request.model, request.frames, request.time_s,
                                                             request.px_per_mm, request.breakup_px},
                                           DropsBelowOptions{}));
    for (FrameVisit& visit : grains.back()->Visits()) visits.push_back(std::move(visit));
    for (FrameVisit& visit : mists.back()->Visits()) visits.push_back(std::move(visit));
    for (FrameVisit& visit : ligaments.back()->Visits()) visits.push_back(std::move(visit));
    for (FrameVisit& visit : evenness.back()->Visits()) visits.push_back(std::move(visit));
    for (FrameVisit& visit : drops.back()->Visits()) visits.push_back(std::move(visit));
  }
  VisitFrames(path, view, visits, threads);
  std::vector<BelowSheetResult> results;
  for (std::size_t i = 0; i < requests.size(); ++i) {
    results.push_back({grains[i]->Result(), evenness[i]->Result(), drops[i]->Result()});
    if (auto& grain = results.back().grain.grain) {
      ShareResult mist = mists[i]->Result();
      grain->mist = mist.share;
      grain->no_mist = std::move(mist.why);
      ShareResult ligament = ligaments[i]->Result();
      grain->ligaments = ligament.share;
      grain->no_ligaments = std::move(ligament.why);
    }
  }
  return results;
}

}  // namespace conebook::vision
